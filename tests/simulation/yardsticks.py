"""Yardsticks of forecasts beside the Brier score: the log loss, and the flow's own end taken as certain."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from sklearn.metrics import log_loss

from shopkb.core.diagnosis.counting.closed_case import ClosedCase
from shopkb.core.diagnosis.scores.forecast_scores import Forecast, brier
from shopkb.core.flow.model import Flow


def named_ends(flow: Flow, cases: Iterable[ClosedCase]) -> dict[int, int]:
    """By job, the column of the cause that the last answer named; jobs that ended elsewhere are left out."""
    places = {cause.key: place for place, cause in enumerate(flow.causes)}
    found = {}
    for case in cases:
        last = [one for one in case.results if one.procedure == flow.procedure and one.outcome][-1:]
        for one in last:
            go = flow.step_by_key[one.step].outcome(one.outcome).go
            if go.key in places:
                found[case.job] = places[go.key]
    return found


def brier_where_named(found: Sequence[Forecast], named: Mapping[int, int]) -> tuple[float, float]:
    """Over the jobs whose end named a cause: mean Brier score of the forecasts, and of the ends; NaN without any."""
    here = [one for one in found if one.job in named]
    if not here:
        return np.nan, np.nan
    truth = np.array([one.truth for one in here])
    ends = np.zeros((len(here), here[0].probabilities.size))
    ends[np.arange(len(here)), [named[one.job] for one in here]] = 1.0
    return brier(np.stack([one.probabilities for one in here]), truth), brier(ends, truth)


def losses(found: Sequence[Forecast]) -> tuple[float, float]:
    """Mean log loss in nats, no probability under 0.005: of the forecasts, and of what was said before any result."""
    truth = [one.truth for one in found]
    labels = list(range(found[0].probabilities.size))
    given, first = (
        np.maximum(np.stack(rows), 0.005)
        for rows in ([one.probabilities for one in found], [one.at_first for one in found])
    )
    return (
        float(log_loss(truth, given / given.sum(axis=1, keepdims=True), labels=labels)),
        float(log_loss(truth, first / first.sum(axis=1, keepdims=True), labels=labels)),
    )
