"""The information gain of each test about which repair is needed, in bits: the mutual information of its outcome and
the repair."""

from __future__ import annotations

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.rates.intervals import Array


def information_gain(model: CauseModel, weights: Array) -> Array:
    """Mutual information in bits of each test's outcome and the repair needed; ``weights`` is P(cause) now. Exact.

    Causes with the same repair count as one: telling them apart gains nothing. O(branches x causes).
    """
    if not model.tests:
        return np.zeros(0)
    outcomes = model.table @ weights
    outcomes *= np.log2(np.maximum(outcomes, 1e-300))
    loss: Array = np.add.reduceat(outcomes, model.starts)
    loss += model.repair_bits @ weights
    for columns in model.shared_repairs:
        told = np.add.reduceat(_xlog2x(model.table[:, columns] @ weights[columns]), model.starts)
        loss -= told - _xlog2x(weights[columns].sum())
    np.minimum(loss, 0.0, out=loss)
    return np.negative(loss, out=loss)


def information_gains(model: CauseModel, weights: Array) -> Array:
    """The same for many beliefs at once: ``weights`` is n x causes, the result n x tests."""
    if not model.tests:
        return np.zeros((len(weights), 0))
    outcomes = _xlog2x(weights @ model.table.T)
    gain = np.add.reduceat(-outcomes, model.starts, axis=1) - weights @ model.repair_bits.T
    for columns in model.shared_repairs:
        part = weights[:, columns]
        told = np.add.reduceat(_xlog2x(part @ model.table[:, columns].T), model.starts, axis=1)
        gain += told - _xlog2x(part.sum(axis=1))[:, None]
    bits: Array = np.maximum(gain, 0.0)
    return bits


def _xlog2x(figures: Array) -> Array:
    logs: Array = np.log2(np.maximum(figures, 1e-300))
    logs *= figures
    return logs
