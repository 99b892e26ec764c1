"""Forecasts corrected by those of the months before, as they would have been given then."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import groupby

from shopkb.core.diagnosis.belief.recalibration import (
    NO_RECALIBRATION,
    Recalibration,
    chosen,
    log_losses,
    no_losses,
    recalibrated,
)
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.diagnosis.scores.forecast_scores import Forecast


class Corrections:
    """How probabilities are corrected, by month: each by all forecasts of the shop in the months before."""

    def __init__(self, before: Array, found: Iterable[Forecast]) -> None:
        """``before`` are the losses (:func:`log_losses`) of the months before those of ``found``."""
        self.by_month: dict[str, Recalibration] = {}
        total = before.copy()
        for month, group in groupby(sorted(found, key=lambda one: one.month), key=lambda one: one.month):
            self.by_month[month] = chosen(total)
            total += losses_of(group)
        self.now = chosen(total)

    def corrected(self, one: Forecast) -> Forecast:
        by = self.by_month.get(one.month, NO_RECALIBRATION)
        return replace(one, probabilities=recalibrated(one.probabilities, one.at_first, by))


def losses_of(found: Iterable[Forecast]) -> Array:
    """Losses of these forecasts without correction and under every correction that is tried."""
    return sum((log_losses(one.probabilities, one.at_first, one.truth) for one in found), no_losses())
