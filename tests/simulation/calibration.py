"""How reliable are the percentages? A made-up shop with a known truth, forecast month by month.

Long form: ``python -m tests.simulation.calibration``. Technicians follow the flow; readings follow the hidden truth;
whether a job gets verified depends on where it ended. The horn is invented.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.diagnosis.scores.forecast_scores import Scores, all_pairs, reliability, scores
from shopkb.core.diagnosis.scores.forecasting import forecasts
from shopkb.core.flow.model import Flow, GoKind
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, horn
from tests.simulation.yardsticks import brier_where_named, losses, named_ends

STRANGE = "body/horn/wire#chafed through"
CAUSES = (HORN, GROUND, RELAY, STRANGE)
# P(outcome), in the flow's order, for each cause in turn: an intermittent fault may sound, a chafed wire may look like
# anything.
_TRUE = {
    "press": ((0.02, 0.95, 0.03), (0.10, 0.85, 0.05), (0.05, 0.80, 0.15), (0.1, 0.7, 0.2)),
    "supply": ((0.96, 0.02, 0.02), (0.90, 0.08, 0.02), (0.15, 0.55, 0.30), (0.4, 0.3, 0.3)),
    "ground": ((0.93, 0.07), (0.12, 0.88), (0.90, 0.10), (0.6, 0.4)),
    "direct": ((0.06, 0.94), (0.85, 0.15), (0.97, 0.03), (0.9, 0.1)),
}
TRUTH: Mapping[str, Mapping[str, tuple[float, ...]]] = {
    step: dict(zip(CAUSES, by_cause, strict=True)) for step, by_cause in _TRUE.items()
}
PRIORS = {
    "curlew/a1": (0.55, 0.15, 0.25, 0.05),
    "curlew/a2": (0.45, 0.25, 0.25, 0.05),
    "dunlin": (0.15, 0.5, 0.3, 0.05),
}


def shop(
    rng: np.random.Generator, jobs: int, flow: Flow, verified: tuple[float, float] = (0.9, 0.5)
) -> list[ClosedCase]:
    """Closed jobs over four years. ``verified`` is the chance of it where a cause was named, and elsewhere."""
    platforms = list(PRIORS)
    cases = []
    for number in range(jobs):
        platform = platforms[rng.integers(len(platforms))]
        cause = CAUSES[rng.choice(4, p=PRIORS[platform])]
        results, end = _walk(rng, flow, cause)
        proven = rng.random() < verified[end is not GoKind.CAUSE]
        month = f"{2022 + number * 48 // jobs // 12:04d}-{number * 48 // jobs % 12 + 1:02d}"
        told = cause if proven else ""
        cases.append(
            ClosedCase(number, platform, month, told, "measured" if told else "", told, results=tuple(results))
        )
    return cases


def _walk(rng: np.random.Generator, flow: Flow, cause: str) -> tuple[list[CaseResult], GoKind]:
    results, key = [], flow.start
    while True:
        step = flow.step_by_key[key]
        outcome = step.outcomes[rng.choice(len(step.outcomes), p=TRUTH[key][cause])]
        results.append(CaseResult(flow.procedure, key, outcome.key, seconds=int(rng.integers(30, 600))))
        if outcome.go.kind is not GoKind.STEP:
            return results, outcome.go.kind
        key = outcome.go.key


def main() -> None:
    for seed in (1, 2, 3):
        flow = horn()
        cases = shop(np.random.default_rng(seed), 3000, flow)
        found = forecasts(flow, cases)
        told = scores(found)
        assert isinstance(told, Scores)
        loss, loss_at_first = losses(found)
        where_named, ends = brier_where_named(found, named_ends(flow, cases))
        print(
            f"seed {seed}: {told.jobs} forecasts, Brier {told.brier:.3f} (before any result "
            f"{told.brier_at_first:.3f}, ends {ends:.3f} against {where_named:.3f} there), "
            f"log loss {loss:.3f} (before {loss_at_first:.3f})"
        )
        for one in reliability(*all_pairs(found)):
            print(
                f"   {one.low:.1f}-{one.high:.1f}: n {one.n:5} said {one.mean:.3f} was {one.share:.3f}  {one.verdict}"
            )


if __name__ == "__main__":
    main()
