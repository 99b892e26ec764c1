"""Whether readings themselves forecast the causes of later jobs better than the bands they fall in.

Readings of several steps may hang together - one weak battery lowers them all - which no single step can show. So what
is fitted to older jobs is tried on the newer ones, whole jobs at a time, and kept only where it forecast their causes
better: first, do no harm (A. Dawid, Statistical theory: the prequential approach, JRSS A 147, 1984).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.belief.reading_densities import MeasuredAnswer, StepDensities, column_of
from shopkb.core.diagnosis.belief.reading_fit import step_readings
from shopkb.core.diagnosis.belief.reading_likelihoods import reading_in_unit, with_readings
from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.flow.model import Flow

OLDER: Final = 0.6
"""Share of the jobs that readings are fitted to for the trial."""

FEWEST_TRIED: Final = 8
"""Newer jobs with a reading that a trial needs."""

BETTER: Final = 1.0
"""Standard errors by which the log loss has to be less."""

LEAST: Final = 1e-9


def trusted_readings(model: CauseModel, flow: Flow, cases: Sequence[ClosedCase]) -> dict[str, StepDensities] | None:
    """The readings of each step, fitted to all cases; empty where a trial on the newer ones was no better than the
    bands, ``None`` where they are too few for a trial. ``model`` is learned from the same cases, which stand oldest
    first.
    """
    proven = [case for case in (one.of(flow.procedure) for one in cases) if case.verified]
    known = [(case, mine) for case in proven for mine in [_mine(flow, case)] if _is_measured(mine)]
    cut = round(OLDER * len(known))
    if len(known) - cut < FEWEST_TRIED:
        return None
    fitted = _fitted(model, flow, known[:cut])
    gains = np.array([_gain(model, flow, case, mine, fitted) for case, mine in known[cut:]])
    if gains.mean() <= BETTER * gains.std() / gains.size**0.5 + LEAST:
        return {}
    return _fitted(model, flow, known)


def _mine(flow: Flow, case: ClosedCase) -> list[CaseResult]:
    return [one for one in case.results if one.procedure == flow.procedure and one.step in flow.step_by_key]


def _is_measured(results: Sequence[CaseResult]) -> bool:
    return any(one.reading is not None for one in results)


def _fitted(
    model: CauseModel, flow: Flow, known: Sequence[tuple[ClosedCase, list[CaseResult]]]
) -> dict[str, StepDensities]:
    answers: dict[str, list[MeasuredAnswer]] = defaultdict(list)
    for case, mine in known:
        for one in mine:
            spec = flow.step_by_key[one.step].reading
            reading = reading_in_unit(one, spec.unit) if spec is not None else None
            if reading is not None:
                answers[one.step].append(MeasuredAnswer(reading, one.outcome, case.cause))
    found = {step: step_readings(model, flow, flow.step_by_key[step], told) for step, told in answers.items()}
    return {step: one for step, one in found.items() if one is not None}


def _gain(
    model: CauseModel, flow: Flow, case: ClosedCase, mine: Sequence[CaseResult], fitted: Mapping[str, StepDensities]
) -> float:
    """Of log loss, by readings."""
    column = column_of(model, case.cause)
    told, bands = (posterior(one, mine)[column] for one in (with_readings(model, flow, mine, fitted), model))
    return float(np.log(max(told, LEAST)) - np.log(max(bands, LEAST)))
