"""How much a test tells: bits, and the drop of the Gini impurity, about which repair is needed."""

from __future__ import annotations

from typing import Final

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.rates.intervals import Array

LN2: Final = float(np.log(2))


def telling_power(model: CauseModel, weights: Array) -> Array:
    """Expected bits that each test tells about which repair is needed; ``weights`` is P(cause) now. Exact.

    Two causes with one correction count as one: bits that only separate those are worth nothing. O(branches x causes).
    """
    if not model.tests:
        return np.zeros(0)
    gain = np.add.reduceat(-_xlogx(model.table @ weights), model.starts) - model.repair_entropy @ weights
    for columns in model.shared_repairs:
        told = np.add.reduceat(_xlogx(model.table[:, columns] @ weights[columns]), model.starts)
        gain += told - _xlogx(weights[columns].sum())
    bits: Array = np.maximum(gain / LN2, 0.0)
    return bits


def telling_powers(model: CauseModel, weights: Array) -> Array:
    """The same for many beliefs at once: ``weights`` is n x causes, the bits n x tests."""
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


def gini_drop(model: CauseModel, weights: Array) -> Array:
    """Expected drop of the Gini impurity over repairs by each test. O(branches x causes)."""
    if not model.tests:
        return np.zeros(0)
    joint = _by_repair(model, weights)
    outcomes = joint.sum(axis=1)
    kept = (joint**2).sum(axis=1) / np.where(outcomes > 0, outcomes, 1)
    drop: Array = np.add.reduceat(kept, model.starts) - ((weights @ model.repair_matrix) ** 2).sum()
    return drop


def _by_repair(model: CauseModel, weights: Array) -> Array:
    joint: Array = (model.table * weights) @ model.repair_matrix
    return joint


def _xlogx(figures: Array) -> Array:
    logs: Array = np.log(np.maximum(figures, 1e-300))
    return figures * logs
