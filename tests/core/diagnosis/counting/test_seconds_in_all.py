"""The time of a whole procedure where some times are not known."""

from __future__ import annotations

import numpy as np
import pytest

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase, seconds_in_all
from shopkb.core.diagnosis.counting.tallies import TallyKey, contributions


def result(seconds: int | None, expected: int | None = None, step: str = "press") -> CaseResult:
    return CaseResult("horn", step, "click", seconds=seconds, expected=expected)


@pytest.mark.parametrize(
    ("results", "whole"),
    [
        ([result(60), result(90)], 150),
        ([result(60), result(None, 240)], 300),
        ([result(60), result(None, 0)], 60),
        ([result(60), result(None)], None),
        ([], None),
    ],
)
def test_what_is_not_known_counts_as_expected(results: list[CaseResult], whole: int | None) -> None:
    assert seconds_in_all(results) == whole


def test_a_step_keeps_its_unknown_time_and_the_procedure_has_one() -> None:
    case = ClosedCase(1, "van", "2026-03", results=(result(60), result(None, 240, "supply")))
    sums = contributions(case)
    step = sums[TallyKey("horn", "supply", "click", "", "", "van", "2026-03", "")]
    whole = sums[TallyKey("horn", "", "", "", "", "van", "2026-03", "")]
    assert (step.count, step.timed) == (1, 0)
    assert (whole.timed, whole.seconds) == (1, 300)


@pytest.mark.parametrize("breaks", [0.02, 0.05, 0.1])
def test_the_mean_of_procedures_of_any_length_is_true(breaks: float) -> None:
    """Two to fourteen steps; a break falls into each with the same chance, hence rather into long procedures. The
    writer's minutes are off by a third either way. Bias at most 3 %, and 3 to 20 % without procedures that had one."""
    rng = np.random.default_rng(4)
    true, told, complete = [], [], []
    usual = rng.uniform(60, 900, 14)
    written = usual * rng.lognormal(0, 0.3, 14)
    written *= usual.sum() / written.sum()
    for _ in range(4000):
        steps = int(rng.integers(2, 15))
        took = usual[:steps] * rng.lognormal(-0.08, 0.4, steps)
        away = rng.random(steps) < breaks
        results = [
            result(None if gone else round(seconds), round(expected) if gone else None)
            for seconds, gone, expected in zip(took, away, written, strict=False)
        ]
        true.append(took.sum())
        told.append(seconds_in_all(results))
        complete += [] if away.any() else [took.sum()]
    assert np.mean(told) == pytest.approx(np.mean(true), rel=0.03)
    assert np.mean(complete) < (1 - breaks) * np.mean(true)
