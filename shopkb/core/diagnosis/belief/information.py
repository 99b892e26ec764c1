"""The information gain of each test about which repair is needed, in bits: the mutual information of its outcome and
the repair."""

from __future__ import annotations

from typing import Final

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.rates.intervals import Array

LN2: Final = float(np.log(2))


def information_gain(model: CauseModel, weights: Array) -> Array:
    """Mutual information in bits of each test's outcome and the repair needed; ``weights`` is P(cause) now. Exact.

    Causes with the same repair count as one: telling them apart gains nothing. O(branches x causes).
    """
    if not model.tests:
        return np.zeros(0)
    gain = np.add.reduceat(-_xlogx(model.table @ weights), model.starts) - model.repair_entropy @ weights
    for columns in model.shared_repairs:
        told = np.add.reduceat(_xlogx(model.table[:, columns] @ weights[columns]), model.starts)
        gain += told - _xlogx(weights[columns].sum())
    bits: Array = np.maximum(gain / LN2, 0.0)
    return bits


def information_gains(model: CauseModel, weights: Array) -> Array:
    """The same for many beliefs at once: ``weights`` is n x causes, the result n x tests."""
    if not model.tests:
        return np.zeros((len(weights), 0))
    outcomes = _xlogx(weights @ model.table.T)
    gain = np.add.reduceat(-outcomes, model.starts, axis=1) - weights @ model.repair_entropy.T
    for columns in model.shared_repairs:
        part = weights[:, columns]
        told = np.add.reduceat(_xlogx(part @ model.table[:, columns].T), model.starts, axis=1)
        gain += told - _xlogx(part.sum(axis=1))[:, None]
    bits: Array = np.maximum(gain / LN2, 0.0)
    return bits


def _xlogx(figures: Array) -> Array:
    logs: Array = np.log(np.maximum(figures, 1e-300))
    return figures * logs
