"""Has anything changed lately? Oracles: Polya's urn in fractions, and the H of Kruskal and Wallis by scipy."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kruskal

from shopkb.core.diagnosis.counting.flow_counts import count
from shopkb.core.diagnosis.counting.tallies import SKIP
from shopkb.core.diagnosis.scores.drift import (
    TOLD,
    Drift,
    change,
    drift,
    drifting_readings,
    often_skipped,
    reading_change,
)
from shopkb.core.readings.bands import parse_band
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, horn, tally, together

NOW = "2026-11"
kinds = st.integers(2, 4).flatmap(
    lambda size: st.tuples(*(st.lists(st.integers(0, 12), min_size=size, max_size=size) for _ in range(2)))
)


def urn(jobs: list[int]) -> Fraction:
    """Probability of drawing these kinds in one order from an urn of half a ball each that adds one like it."""
    chance, drawn = Fraction(1), 0
    for number in jobs:
        for before in range(number):
            chance *= (Fraction(1, 2) + before) / (Fraction(len(jobs), 2) + drawn)
            drawn += 1
    return chance


@given(kinds)
def test_the_bayes_factor_is_that_of_two_urns_against_one(both: tuple[list[int], list[int]]) -> None:
    recent, before = both
    if not sum(recent) or not sum(before):
        assert change(recent, before) == 0
        return
    one = urn([a + b for a, b in zip(recent, before, strict=True)])
    assert change(recent, before) == pytest.approx(math.log(urn(recent) * urn(before) / one), abs=1e-9)


@given(kinds, st.randoms(use_true_random=False))
def test_neither_the_sides_nor_the_names_of_the_kinds_matter(both: tuple[list[int], list[int]], dice: object) -> None:
    recent, before = both
    order = list(range(len(recent)))
    dice.shuffle(order)  # type: ignore[attr-defined]
    mixed = change([recent[i] for i in order], [before[i] for i in order])
    assert mixed == pytest.approx(change(recent, before), abs=1e-9)
    assert change(before, recent) == pytest.approx(change(recent, before), abs=1e-9)
    assert math.isfinite(mixed)


def test_the_further_apart_the_more_is_told() -> None:
    found = [change([wins, 20 - wins], [54, 6]) for wins in range(18, -1, -2)]
    assert found == sorted(found)
    assert found[0] < 0 < TOLD < found[-1]


@pytest.mark.parametrize(
    ("recent", "before"), [([1], [1, 2]), ([], []), ([-1, 2], [1, 1]), ([1, float("nan")], [1, 1])]
)
def test_what_is_no_count_is_refused(recent: list[float], before: list[float]) -> None:
    with pytest.raises(ValueError, match=r"kinds|Counts"):
        change(recent, before)


readings = st.lists(st.integers(-50, 50).map(float), min_size=3, max_size=20)


@given(readings, readings)
def test_readings_are_judged_by_the_h_of_kruskal_and_wallis(recent: list[float], before: list[float]) -> None:
    found, n = reading_change(recent, before), len(recent) + len(before)
    if len(set(recent + before)) == 1:
        assert found == 0
        return
    left = 1 - kruskal(recent, before).statistic / (n - 1)
    expected = -n / 2 * math.log(max(left, 1 / n**2)) - math.log(n) / 2
    assert found == pytest.approx(expected, rel=1e-6, abs=1e-6)
    assert reading_change([10 * x + 3 for x in recent], [10 * x + 3 for x in before]) == pytest.approx(found, abs=1e-9)


def test_readings_that_moved_are_told_and_one_slip_of_the_pen_is_not() -> None:
    dice = np.random.default_rng(3)
    before = dice.normal(12.6, 0.1, 40).tolist()
    assert reading_change(dice.normal(12.4, 0.1, 15).tolist(), before) > TOLD
    slip = [*dice.normal(12.6, 0.1, 14).tolist(), 1260.0]
    assert reading_change(slip, before) < TOLD
    assert reading_change([1.0, 2.0], before) == 0
    with pytest.raises(ValueError, match="finite"):
        reading_change([1.0, float("inf"), 2.0], before)


def test_a_branch_that_was_good_and_no_longer_is() -> None:
    """The same branch 40 of 40 right until April; from June, the sixth month counting back, 3 of 12."""
    parts = (
        tally("ground", "bad", GROUND, 40, month="2026-04"),
        tally("ground", "bad", GROUND, 3, month="2026-06"), tally("ground", "bad", HORN, 9, month="2026-11"),
        tally("supply", "weak", RELAY, 30, month="2026-03"), tally("supply", "weak", RELAY, 10, month="2026-10"),
    )  # fmt: skip
    found = drift(horn(), together(*parts), as_of=NOW)
    (bad,) = [one for one in found.branches if (one.step, one.outcome) == ("ground", "bad")]
    assert (bad.recent, bad.before, bad.fallen) == ((3, 12), (40, 40), True)
    assert bad.words == "Right less often than before: 3 of 12 in the last 6 months, 40 of 40 earlier."
    assert "weak" not in {one.outcome for one in found.branches}
    assert not found.steps
    assert found
    later = drift(horn(), together(*parts), as_of="2027-06")
    assert not later


def test_a_step_whose_results_fall_otherwise() -> None:
    parts = (
        tally("supply", "full", "", 40, month="2026-01"), tally("supply", "weak", "", 2, month="2026-01"),
        tally("supply", "full", "", 5), tally("supply", "weak", "", 15),
    )  # fmt: skip
    found = drift(horn(), together(*parts), as_of=NOW)
    (step,) = found.steps
    assert (step.step, step.most_changed, step.recent, step.before) == ("supply", "full", (5, 15, 0), (40, 2, 0))
    assert step.words("Full supply") == (
        "Its results have shifted: 5 of 20 jobs gave “Full supply” in the last 6 months, 40 of 42 earlier."
    )


def test_a_step_that_is_skipped_surely_too_often_is_told() -> None:
    """8 of 20, and 1 of 2: the second may be chance."""
    parts = (
        tally("supply", "full", "", 12), tally("supply", f"{SKIP}no-time", "", 5),
        tally("supply", f"{SKIP}not-safe", "", 3),
        tally("ground", "bad", "", 1), tally("ground", f"{SKIP}no-time", "", 1),
    )  # fmt: skip
    (found,) = often_skipped(count(horn(), together(*parts), as_of=NOW, half_life=None))
    assert (found.step, found.skipped, found.came, found.reason) == ("supply", 8, 20, "no-time")


def test_readings_that_come_nearer_to_the_limit_of_their_band_are_told_with_it() -> None:
    steps = tuple(
        replace(step, outcomes=tuple(replace(one, band=parse_band(">= 12.4 V")) for one in step.outcomes))
        for step in horn().steps
    )
    dice = np.random.default_rng(4)
    before = {("supply", "full", "V"): dice.normal(12.8, 0.05, 30).tolist(), ("supply", "weak", "V"): [1.0, 2.0, 3.0]}
    recent = {("supply", "full", "V"): dice.normal(12.5, 0.05, 12).tolist(), ("supply", "weak", "V"): [1.0, 2.0, 3.0]}
    (found,) = drifting_readings(horn(steps=steps), recent, before)
    assert (found.step, found.outcome, found.recent[0], found.before[0], found.limit) == (
        "supply",
        "full",
        12,
        30,
        12.4,
    )
    (back,) = drifting_readings(horn(steps=steps), before, recent)
    assert back.limit is None  # away from the only limit


def test_nothing_to_compare_with_is_no_change() -> None:
    assert drift(horn(), {}, as_of=NOW) == Drift()
    assert not drift(horn(), tally("ground", "bad", GROUND, 50), as_of=NOW)
    assert not drift(horn(steps=()), tally("ground", "bad", GROUND, 50), as_of=NOW)
