"""Rates of one branch on one platform. Oracles: statsmodels, and the values of Brown, Cai and DasGupta 2001."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from shopkb.core.diagnosis.rates.intervals import NO_EVIDENCE, Rate, beta_interval, jeffreys, wilson
from tests.core.diagnosis.published import example

INTERVALS = example("jeffreys-wilson-intervals")


def rate(successes: float, n: float, level: float = 0.95) -> Rate:
    found = jeffreys(successes, n, level)
    assert isinstance(found, Rate)
    return found


@pytest.mark.parametrize("row", INTERVALS["expected"]["intervals"], ids=lambda row: f"{row['x']} of {row['n']}")
def test_intervals_equal_the_worked_examples(row: dict[str, list[float]]) -> None:
    found = rate(row["x"], row["n"])  # type: ignore[arg-type]
    assert [found.low, found.high] == pytest.approx(row["jeffreys_boundary_rule"], abs=INTERVALS["tolerance"])
    assert wilson(row["x"], row["n"]) == pytest.approx(row["wilson"], abs=INTERVALS["tolerance"])  # type: ignore[arg-type]


@given(n=st.integers(1, 400), data=st.data(), level=st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99]))
def test_interval_equals_statsmodels_away_from_the_edges(n: int, data: st.DataObject, level: float) -> None:
    successes = data.draw(st.integers(0, n))
    found = rate(successes, n, level)
    low, high = proportion_confint(successes, n, alpha=1 - level, method="jeffreys")
    assert found.low == pytest.approx(0.0 if successes == 0 else low, abs=1e-10)
    assert found.high == pytest.approx(1.0 if successes == n else high, abs=1e-10)


@given(n=st.integers(1, 400), data=st.data(), level=st.sampled_from([0.5, 0.8, 0.95]))
def test_wilson_equals_statsmodels(n: int, data: st.DataObject, level: float) -> None:
    successes = data.draw(st.integers(0, n))
    expected = proportion_confint(successes, n, alpha=1 - level, method="wilson")
    assert wilson(successes, n, level) == pytest.approx(expected, abs=1e-12)


@given(n=st.floats(0.01, 1e6), share=st.floats(0, 1), level=st.sampled_from([0.8, 0.95]))
def test_ends_enclose_the_mean_and_mirror(n: float, share: float, level: float) -> None:
    found = rate(share * n, n, level)
    mirrored = rate(n - share * n, n, level)
    assert 0 <= found.low < found.mean < found.high <= 1
    assert mirrored.low == pytest.approx(1 - found.high, abs=1e-7)


def test_more_jobs_with_the_same_share_narrow_the_interval() -> None:
    widths = [rate(n * 0.8, n).high - rate(n * 0.8, n).low for n in (5, 20, 80, 320)]
    assert widths == sorted(widths, reverse=True)


def test_few_successes_of_weighted_jobs_keep_the_lower_end_at_zero() -> None:
    """Below half a success the distribution still rises towards 0 (a < 1), so 0 is not excluded."""
    assert rate(0.49, 3).low == 0.0
    assert rate(0.51, 3).low > 0.0


def test_no_jobs_is_no_evidence_and_false() -> None:
    assert jeffreys(0, 0) is NO_EVIDENCE
    assert not NO_EVIDENCE
    assert repr(NO_EVIDENCE) == "NO_EVIDENCE"
    assert wilson(0, 0) == (0.0, 1.0)


def test_share_is_what_was_counted() -> None:
    assert rate(4, 5).share == 0.8
    assert rate(4, 5).mean == pytest.approx(4.5 / 6)


@pytest.mark.parametrize(
    ("successes", "n", "message"),
    [
        (-1, 3, "Counts of jobs are not negative; got -1 successes in 3 jobs."),
        (0, -3, "Counts of jobs are not negative; got 0 successes in -3 jobs."),
        (4, 3, "There cannot be more successes than jobs; got 4 successes in 3 jobs."),
        (math.nan, 3, "Counts of jobs are finite numbers; got nan successes in 3 jobs."),
        (1, math.inf, "Counts of jobs are finite numbers; got 1 successes in inf jobs."),
    ],
)
def test_impossible_counts_are_refused(successes: float, n: float, message: str) -> None:
    with pytest.raises(ValueError) as caught:
        jeffreys(successes, n)
    assert str(caught.value) == message


@pytest.mark.parametrize("level", [0.0, 1.0, -0.5, 95.0])
def test_a_level_that_is_no_probability_is_refused(level: float) -> None:
    with pytest.raises(ValueError) as caught:
        jeffreys(1, 2, level)
    assert str(caught.value) == f"The level of an interval lies between 0 and 1, for example 0.95; got {level}."


@pytest.mark.parametrize(("a", "b"), [(3e-5, 1.0), (1.0, 3e-5), (1e-9, 1e-9), (0.5, 400.5)])
def test_an_interval_holds_its_mean_however_lopsided(a: float, b: float) -> None:
    """Ten million jobs elsewhere without one success leave such a prior; both its quantiles are 0, its mean is not."""
    low, high = beta_interval(a, b)
    assert 0 <= low <= a / (a + b) <= high <= 1
