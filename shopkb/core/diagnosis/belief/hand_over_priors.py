"""How common the causes behind a hand-over are: so common that a hand-over is as often right as is known of it.

Few jobs of a procedure are handed over, so the number of its closed jobs says little about them: what counts is how
many of those that were handed over had their cause there. Of each hand-over, the writer's word that it is right counts
for some jobs, and closed jobs add to it (a beta distribution; Gelman and others, Bayesian Data Analysis, 3rd ed.,
section 2.4).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import betaincinv

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.forward_pass import ForwardPass
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.model import Flow, GoKind
from shopkb.core.flow.paths import loops

RIGHT: Final = 0.7
"""How often a hand-over is right by the writer's word."""

RIGHT_WEIGHT: Final = 4.0
"""What that word counts for, in jobs."""

MOST_TIMES: Final = 1000.0
"""No hand-over makes the causes behind it more than so many times commoner than they were."""

CREDIBLE: Final = 0.95
"""Nor commoner than closed jobs leave credible: this quantile of their share."""


def with_hand_overs(flow: Flow, model: CauseModel) -> Array:
    """Weights of the Dirichlet over the causes of ``model`` (learned of ``flow``), those behind hand-overs raised where
    the hand-over would otherwise be right less often than is known of it. Unchanged for a flow with a loop."""
    weights = np.array(model.prior_weights)
    if not model.behind or flow.start not in flow.step_by_key or loops(flow):
        return weights
    traffic = ForwardPass(flow, model).traffic
    times = {part.identity: 1.0 for part in model.behind}
    for step, outcome in flow.branches:
        if outcome.go.kind is not GoKind.HAND_OVER:
            continue
        parts = [part.identity for part in model.behind if outcome.go.key in part.procedures]
        if parts:
            columns = [model.column_of[identity] for identity in parts]
            row = model.row_of[flow.procedure, step.key, outcome.key]
            factor = _times(_right(model, row, columns), traffic[step.key, outcome.key], columns)
            for identity in parts:
                times[identity] = max(times[identity], factor)
    columns = [model.column_of[identity] for identity in times]
    raised = weights[columns] * list(times.values())
    most = betaincinv(weights[columns], weights.sum() - weights[columns], CREDIBLE) * weights.sum()
    weights[columns] = np.maximum(weights[columns], np.minimum(raised, most))
    return weights


def _right(model: CauseModel, row: int, columns: list[int]) -> float:
    """The chance that this hand-over is right, by the writer's word and by verified jobs."""
    jobs = model.evidence[row] if model.evidence is not None else np.zeros(len(model.causes))
    behind = float(jobs[columns].sum())
    return (RIGHT * RIGHT_WEIGHT + behind) / (RIGHT_WEIGHT + float(jobs.sum()))


def _times(right: float, traffic: Array, columns: list[int]) -> float:
    """How many times commoner the causes of ``columns`` must be for that share of the traffic to be theirs."""
    behind = float(traffic[columns].sum())
    others = float(traffic.sum()) - behind
    if behind <= 0 or others <= 0:
        return 1.0
    return min(max(1.0, right / (1 - right) * others / behind), MOST_TIMES)
