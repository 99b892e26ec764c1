"""What the flow's own end says, taken as certain: the yardstick that forecasts are held against."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

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
