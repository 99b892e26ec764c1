"""Scores. Oracles: scikit-learn's Brier score, printed single values (an encyclopedia's Brier article), and
numbers that follow by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from sklearn.metrics import brier_score_loss

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.diagnosis.rates.intervals import NO_EVIDENCE
from shopkb.core.diagnosis.scores.forecast_scores import (
    Forecast,
    Scores,
    all_pairs,
    brier,
    reliability,
    scores,
)
from shopkb.core.diagnosis.scores.forecasting import forecasts
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, horn
from tests.core.diagnosis.published import example

EXAMPLE = example("brier-log-loss")
TEN = {key: np.array(value, dtype=float) for key, value in EXAMPLE["inputs"]["ten"].items()}


def test_printed_single_values() -> None:
    """The printed form for yes and no is half of the sum over both."""
    rows = EXAMPLE["inputs"]["single"]
    found = [brier(np.array([[1 - row["p"], row["p"]]]), np.array([row["o"]])) / 2 for row in rows]
    assert found == pytest.approx(EXAMPLE["expected"]["single"], abs=EXAMPLE["tolerance"])


def test_ten_forecasts() -> None:
    expected, tolerance = EXAMPLE["expected"]["ten"], EXAMPLE["tolerance"]
    both = np.stack([1 - TEN["p"], TEN["p"]], axis=1)
    assert brier(both, TEN["o"].astype(np.intp)) == pytest.approx(2 * expected["brier"], abs=tolerance)


def test_many_causes() -> None:
    p = np.array(EXAMPLE["inputs"]["multi"]["p"])
    truth = np.array(EXAMPLE["inputs"]["multi"]["true_index"])
    expected = EXAMPLE["expected"]["multi"]
    assert brier(p, truth) == pytest.approx(expected["brier_sum_over_causes"], abs=EXAMPLE["tolerance"])


chances = arrays(np.float64, 12, elements=st.sampled_from([0.05, 0.2, 0.5, 0.8, 0.99]))


@given(chances, arrays(np.int64, 12, elements=st.integers(0, 1)))
def test_scores_equal_scikit_learn(p: np.ndarray, happened: np.ndarray) -> None:
    both = np.stack([1 - p, p], axis=1)
    assert brier(both, happened) / 2 == pytest.approx(brier_score_loss(happened, p, pos_label=1))


def test_bins_say_so_when_they_are_off_and_when_they_are_few() -> None:
    p = np.r_[np.full(40, 0.8), np.full(40, 0.2), np.full(40, 0.05), np.full(5, 1.0)]
    happened = np.r_[np.ones(20), np.zeros(20), np.ones(20), np.zeros(20), np.ones(2), np.zeros(38), np.ones(5)]
    found = reliability(p, happened)
    assert [(one.n, one.verdict) for one in found] == [
        (40, "as said"),
        (40, "true more often than said"),
        (0, "nothing said"),
        (0, "nothing said"),
        (40, "true less often than said"),
        (5, "too few to say"),
    ]
    assert (found[4].mean, found[4].share) == (pytest.approx(0.8), 0.5)
    assert (found[2].mean, found[2].share, found[2].interval) == (None, None, None)
    assert sum(one.n for one in reliability(*all_pairs([]))) == 0


def forecast(p: list[float], truth: int) -> Forecast:
    return Forecast(1, "2026-11", np.array(p), np.full(3, 1 / 3), truth)


def test_scores_of_forecasts_and_what_they_must_beat() -> None:
    found = scores([forecast([0.7, 0.2, 0.1], 0), forecast([0.2, 0.5, 0.3], 2), forecast([0.1, 0.1, 0.8], 2)])
    assert isinstance(found, Scores)
    assert (found.jobs, found.brier) == (3, pytest.approx(0.3266666667))
    assert found.brier_at_first == pytest.approx(2 / 3)
    assert scores([]) is NO_EVIDENCE


def case(
    number: int, cause: str = "", *, month: str = "2026-10", outcome: str = "full", **changes: object
) -> ClosedCase:
    results = [CaseResult("horn-silent", "press", "click", seconds=60)]
    if outcome:
        results.append(CaseResult("horn-silent", "supply", outcome, seconds=240))
    return ClosedCase(
        **{
            "job": number, "platform": "curlew/a1", "month": month, "cause": cause,
            "proof": "measured" if cause else "", "claimed": cause, "results": tuple(results), **changes,
        }  # type: ignore[arg-type]
    )  # fmt: skip


def test_a_forecast_knows_only_earlier_months() -> None:
    first = [case(number, RELAY, month="2026-08", outcome="weak") for number in range(1, 9)]
    found = forecasts(horn(), [*first, case(20, RELAY, month="2026-09", outcome="weak")], half_life=None)
    assert [one.job for one in found] == [*range(1, 9), 20]
    assert np.array_equal(found[0].probabilities, found[7].probabilities)
    assert found[8].probabilities[2] > found[0].probabilities[2]
    assert found[0].at_first == pytest.approx(np.array([3, 1.5, 1.5, 0.5]) / 6.5)
    assert found[0].truth == 2


def test_forecasts_of_unknown_causes_other_ends_and_other_procedures() -> None:
    strange = case(1, "body/horn/wire#chafed")
    elsewhere = ClosedCase(2, "curlew/a1", "2026-10", HORN, "measured", results=(CaseResult("horn-weak", "x", "y"),))
    unverified = case(3)
    (found,) = forecasts(horn(), [strange, elsewhere, unverified])
    assert (found.job, found.truth) == (1, 3)
    timeless = ClosedCase(4, "", "2026-10", HORN, "seen", results=(CaseResult("horn-silent", "gone", "x"),))
    (without,) = forecasts(horn(), [timeless])
    assert without.probabilities == pytest.approx(without.at_first)


def test_learning_beats_the_belief_before_any_result() -> None:
    """A made-up shop of 120 jobs whose readings follow the flow in nine of ten jobs."""
    rng = np.random.default_rng(5)
    cases = []
    for number in range(120):
        cause = (HORN, GROUND, RELAY)[rng.choice(3, p=[0.2, 0.3, 0.5])]
        honest = rng.random() < 0.9
        outcome = "weak" if (cause == RELAY) == honest else "full"
        cases.append(case(number, cause, month=f"2026-{1 + number // 12:02d}", outcome=outcome))
    found = scores(forecasts(horn(), cases))
    assert isinstance(found, Scores)
    assert found.jobs == 120
    assert found.brier < found.brier_at_first
