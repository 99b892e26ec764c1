"""Forecasts about closed jobs as they would have been given then: each from the evidence of the months before."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.likelihoods import SMOOTHING, learn_each
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.counting.ageing import HALF_LIFE
from shopkb.core.diagnosis.counting.closed_case import ClosedCase
from shopkb.core.diagnosis.counting.flow_counts import OTHER, PROOF_WEIGHTS, count
from shopkb.core.diagnosis.counting.tallies import ZERO, Tallies, TallyKey, TallySums, contributions
from shopkb.core.diagnosis.scores.forecast_scores import Forecast
from shopkb.core.flow.hand_overs import NO_HAND_OVER_CAUSES, HandOverCauses
from shopkb.core.flow.model import Flow


def forecasts(
    flow: Flow,
    cases: Iterable[ClosedCase],
    *,
    half_life: float | None = HALF_LIFE,
    smoothing: float = SMOOTHING,
    proof_weights: Mapping[str, float] = PROOF_WEIGHTS,
    since: str = "",
    behind: HandOverCauses = NO_HAND_OVER_CAUSES,
) -> list[Forecast]:
    """One forecast for each verified case that followed ``flow``, in order of month and job.

    All cases enter the evidence, also those that may not speak for a cause; but only those of earlier months than the
    job's, as they stand today (a cure that has come back since is none). Cases before the month ``since`` are evidence
    only. ``behind`` is what lies behind the flow's hand-overs. A model is learned for each month, its prior for each
    platform: O(months x tallies + cases).
    """
    known: dict[TallyKey, TallySums] = {}
    found: list[Forecast] = []
    ordered = sorted(_followed(flow, cases), key=lambda case: (case.month, case.job))
    for month, group in groupby(ordered, key=lambda case: case.month):
        these = list(group)
        if month >= since:
            models = _models(flow, known, month, these, half_life, smoothing, proof_weights, behind)
            found += [
                _forecast(flow, models[case.platform], case.of(flow.procedure)) for case in these if case.verified
            ]
        for case in these:
            _add(known, contributions(case))
    return found


def _add(known: dict[TallyKey, TallySums], more: Tallies) -> None:
    for key, sums in more.items():
        known[key] = known.get(key, ZERO) + sums


def _followed(flow: Flow, cases: Iterable[ClosedCase]) -> list[ClosedCase]:
    return [case for case in cases if flow.procedure in case.procedures]


def _models(
    flow: Flow,
    known: Tallies,
    month: str,
    cases: Sequence[ClosedCase],
    half_life: float | None,
    smoothing: float,
    proof_weights: Mapping[str, float],
    behind: HandOverCauses,
) -> dict[str, CauseModel]:
    platforms = tuple(sorted({case.platform for case in cases}))
    counts = count(
        flow, known, as_of=month, half_life=half_life, proof_weights=proof_weights,
        platforms=tuple(path for path in platforms if path), behind=behind,
    )  # fmt: skip
    return learn_each(counts, platforms, smoothing=smoothing)


def _forecast(flow: Flow, model: CauseModel, case: ClosedCase) -> Forecast:
    mine = [result for result in case.results if result.procedure == flow.procedure]
    return Forecast(case.job, case.month, posterior(model, mine), model.prior, _column(model, case.cause))


def _column(model: CauseModel, cause: str) -> int:
    part = next((part.identity for part in model.behind if cause in part.causes), OTHER)
    return model.column_of.get(cause, model.column_of[part])
