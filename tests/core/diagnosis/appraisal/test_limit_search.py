"""Limits that closed jobs speak against. Oracles: the midpoint of two normal distributions of equal spread (the linear
discriminant, R. Fisher, Annals of Eugenics 7, 1936) and statsmodels' logistic regression."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.appraisal.limit_search import (
    Limit,
    MeasuredCase,
    better_limit,
    limit_proposal,
    limit_proposals,
    plain_limits,
    rounded_limit,
    sides,
)
from tests.builders import HORN_TEXT, flow_from
from tests.examples import examples

AT = Limit("step", "low", "high", 1.0)


def two_sides(seed: int, n: int = 200, apart: float = 3.0) -> tuple[np.ndarray, np.ndarray]:
    """Readings about 10, half of them ``apart`` spreads above the others."""
    rng = np.random.default_rng(seed)
    upper = np.arange(n) % 2 == 1
    return 10 + 0.1 * (rng.standard_normal(n) + apart * upper), upper


def test_between_two_normal_distributions_it_is_the_middle() -> None:
    readings, upper = two_sides(1, 4000)
    assert better_limit(readings, upper, 10.0) == pytest.approx(10.15, abs=0.01)


def test_it_is_where_statsmodels_puts_it() -> None:
    """Without wrong causes; the allowance for them moves the limit by less than its own error."""
    readings, upper = two_sides(2, 4000, apart=2.5)
    fitted = sm.Logit(upper.astype(float), sm.add_constant(readings - 10)).fit(disp=False)
    error = float(np.sqrt(np.diag(fitted.cov_params()))[0] / fitted.params[1])
    assert better_limit(readings, upper, 10.05) == pytest.approx(
        10 - fitted.params[0] / fitted.params[1], abs=3 * error
    )


def test_a_few_causes_proven_wrongly_do_not_move_it() -> None:
    readings, upper = two_sides(3, 400)
    clean = better_limit(readings, upper, 10.1)
    spoilt = better_limit(np.append(readings, [14.0] * 8), np.append(upper, [False] * 8), 10.1)
    assert clean is not None
    assert spoilt == pytest.approx(clean, abs=0.015)


@given(st.integers(0, 50), st.sampled_from([1e-3, 0.1, 7.0, 1000.0]))
@settings(max_examples=examples(15))
def test_it_does_not_depend_on_the_unit(seed: int, factor: float) -> None:
    readings, upper = two_sides(seed)
    one, other = better_limit(readings, upper, 10.0), better_limit(readings * factor, upper, 10.0 * factor)
    assert one is not None
    assert other == pytest.approx(one * factor, rel=1e-3)


@given(st.integers(0, 50))
@settings(max_examples=examples(15))
def test_turned_about_zero_it_is_turned(seed: int) -> None:
    readings, upper = two_sides(seed)
    one, other = better_limit(readings, upper, 10.0), better_limit(-readings, ~upper, -10.0)
    assert one is not None
    assert other == pytest.approx(-one, rel=1e-3)


def test_where_higher_readings_do_not_speak_for_the_upper_side_there_is_none() -> None:
    readings, upper = two_sides(4)
    assert better_limit(readings, ~upper, 10.15) is None
    assert better_limit(np.full(20, 3.0), np.arange(20) % 2 == 1, 3.0) is None


def test_a_limit_that_is_right_is_left_alone() -> None:
    for seed in range(20):
        readings, upper = two_sides(seed)
        assert limit_proposal(Limit("step", "low", "high", 10.15), readings, upper) is None


def test_a_limit_that_is_off_is_told_with_what_it_would_have_changed() -> None:
    readings, upper = two_sides(5)
    one = limit_proposal(Limit("step", "low", "high", 10.05), readings, upper)
    assert one is not None
    assert 10.12 <= one.proposed <= 10.18
    assert (one.below, one.above) == (100, 100)
    assert one.wrong_now == int(((readings >= 10.05) != upper).sum())
    assert one.wrong_then == int(((readings >= one.proposed) != upper).sum())
    assert one.wrong_now - one.wrong_then == one.put_right - one.made_wrong > 0
    assert 0.95 <= one.chance <= 1


def test_nine_on_a_side_are_too_few() -> None:
    readings = np.array([0.5] * 9 + [3.0] * 50)
    assert limit_proposal(AT, np.append(readings, 1.1), np.append(readings > 2, True)) is None


@pytest.mark.parametrize(
    ("exact", "at", "short"), [(0.2234, 0.3, 0.22), (10.151, 10.05, 10.15), (-0.0412, 0.0, -0.04), (5.0, 5.0, 5.0)]
)
def test_it_is_told_in_few_figures(exact: float, at: float, short: float) -> None:
    assert rounded_limit(exact, at) == short


def test_limits_of_a_flow_that_are_plain_figures_and_the_readings_that_belong_to_a_side() -> None:
    """The supply is judged by the battery's voltage, which is asked for; the volt drop by a figure."""
    flow = flow_from(HORN_TEXT)
    drop = next(limit for limit in plain_limits(flow) if limit.step == "ground")
    assert (drop.below, drop.above) == ("good", "bad")
    assert not any(limit.step == "supply" and limit.below == "weak" for limit in plain_limits(flow))
    horn, earth = "body/horn/horn#open circuit", "body/horn/earth#high resistance"
    cases = [MeasuredCase("ground", 0.05, horn), MeasuredCase("ground", 0.9, earth), MeasuredCase("ground", 1, "x#y")]
    readings, upper = sides(flow, drop, cases)
    assert (readings.tolist(), upper.tolist()) == ([0.05, 0.9], [False, True])
    off = [MeasuredCase("ground", drop.at * (0.5 + number / 100), horn) for number in range(80)]
    off += [MeasuredCase("ground", drop.at * (3 + number / 100), earth) for number in range(40)]
    (one,) = limit_proposals(flow, off)
    assert one.limit == drop
    assert drop.at * 1.3 < one.proposed < drop.at * 3
    assert (one.wrong_then, one.made_wrong) == (0, 0)
