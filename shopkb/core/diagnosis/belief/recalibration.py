"""Probabilities corrected by how earlier ones turned out: how much a result tells, and how often results tell nothing.

Two figures for the whole shop. ``sharpness`` is the power that likelihoods are raised to (temperature scaling of the
evidence: C. Guo and others, On calibration of modern neural networks, ICML 2017). ``stray`` is the share of jobs whose
confirmed cause has nothing to do with what was recorded - another vehicle's answer, a cure by chance - and for which
only the shares of causes before any result speak. Both are those under which the forecasts of the months before had the
least log loss; no correction counts for :data:`NONE_WEIGHT` jobs, so that few forecasts change little (A. Dawid,
Statistical theory: the prequential approach, JRSS A 147, 1984).
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from shopkb.core.diagnosis.rates.intervals import Array

SHARPNESSES: Final = (0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.45, 1.6, 1.8)
STRAYS: Final = (0.0, 0.01, 0.02, 0.03, 0.045, 0.06, 0.09)
"""Those that are tried."""

NONE_WEIGHT: Final = 30.0
LEAST: Final = 1e-12


class Recalibration(NamedTuple):
    """None by default."""

    sharpness: float = 1.0
    stray: float = 0.0


NO_RECALIBRATION: Final = Recalibration()


def recalibrated(belief: Array, at_first: Array, by: Recalibration) -> Array:
    """What ``belief``, got without correction, becomes; ``at_first`` is what was believed before any result."""
    logs = _logs(at_first) + by.sharpness * (_logs(belief) - _logs(at_first))
    sharper = np.where(at_first > 0, np.exp(logs - logs.max()), 0.0)
    mixed: Array = (1 - by.stray) * sharper / sharper.sum() + by.stray * at_first
    return mixed


def log_losses(belief: Array, at_first: Array, truth: int) -> Array:
    """Log loss in nats of one forecast under each of :data:`SHARPNESSES` and :data:`STRAYS`."""
    powers = np.array(SHARPNESSES)[:, None]
    logs = _logs(at_first) + powers * (_logs(belief) - _logs(at_first))
    logs -= logs.max(axis=1, keepdims=True)
    right = np.exp(logs[:, truth]) / np.exp(logs).sum(axis=1)
    strays = np.array(STRAYS)
    found: Array = -np.log(np.maximum((1 - strays) * right[:, None] + strays * at_first[truth], LEAST))
    return found


def chosen(losses: Array) -> Recalibration:
    """The correction with the least of these losses, summed over forecasts, in the shape of :func:`log_losses`."""
    penalty = NONE_WEIGHT * (np.log(np.array(SHARPNESSES)) ** 2)[:, None] + NONE_WEIGHT * np.array(STRAYS) / 10
    sharpness, stray = np.unravel_index(int(np.argmin(losses + penalty)), losses.shape)
    return Recalibration(SHARPNESSES[sharpness], STRAYS[stray])


def no_losses() -> Array:
    """Before any forecast."""
    return np.zeros((len(SHARPNESSES), len(STRAYS)))


def _logs(figures: Array) -> Array:
    logs: Array = np.log(np.maximum(figures, LEAST))
    return logs
