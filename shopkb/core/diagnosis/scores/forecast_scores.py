"""Scores of forecasts: Brier score and calibration.

Probabilities are scored prequentially: each is the one given before the job's own cause entered the evidence
(A. Dawid, Statistical theory: the prequential approach, JRSS A 147, 1984)."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shopkb.core.diagnosis.rates.intervals import NO_EVIDENCE, Array, NoEvidence, wilson

EDGES: Final = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
TOO_FEW: Final = 20


@dataclass(frozen=True, eq=False)
class Forecast:
    """The probabilities given for one job before its cause was known, and the cause.

    ``probabilities`` and ``at_first`` (before any result) are by cause, the last one ``other``; ``truth`` is the column
    of the confirmed cause.
    """

    job: int
    month: str
    probabilities: Array
    at_first: Array
    truth: int


@dataclass(frozen=True, slots=True)
class Scores:
    """Mean Brier score (sum over causes, 0 to 2) of ``jobs`` forecasts, and of the probabilities before any result,
    which have to be beaten."""

    jobs: int
    brier: float
    brier_at_first: float


@dataclass(frozen=True, slots=True)
class ReliabilityBin:
    """Probabilities from ``low`` to under ``high``: ``n`` of them, their mean, and the share that came true.

    ``share`` and ``interval`` (Wilson, 95 %) are ``None`` without any. ``verdict`` is in words.
    """

    low: float
    high: float
    n: int
    mean: float | None
    share: float | None
    interval: tuple[float, float] | None
    verdict: str


def brier(probabilities: Array, truth: NDArray[np.intp]) -> float:
    """Mean over forecasts of the sum over causes of (p - 1[true])^2 (G. Brier 1950); ``probabilities`` n x causes."""
    hit = np.zeros_like(probabilities)
    hit[np.arange(len(truth)), truth] = 1.0
    return float(((probabilities - hit) ** 2).sum(axis=1).mean())


def reliability(p: Array, happened: Array, edges: Sequence[float] = EDGES) -> tuple[ReliabilityBin, ...]:
    """Calibration of the probabilities ``p`` by bins. A bin holds its lower edge, the last one both."""
    places = np.clip(np.searchsorted(np.asarray(edges[1:-1]), p, side="right"), 0, len(edges) - 2)
    return tuple(
        _bin(low, high, p[places == place], happened[places == place])
        for place, (low, high) in enumerate(itertools.pairwise(edges))
    )


def _bin(low: float, high: float, p: Array, happened: Array) -> ReliabilityBin:
    if not p.size:
        return ReliabilityBin(low, high, 0, None, None, None, "nothing said")
    return judged_bin(low, high, int(p.size), float(p.mean()), float(happened.sum()))


def judged_bin(low: float, high: float, n: int, mean: float, hits: float) -> ReliabilityBin:
    """A bin of ``n`` probabilities, at least 1, with this mean, ``hits`` of them true; judged by Wilson's interval."""
    interval = wilson(hits, n)
    if n < TOO_FEW:
        verdict = "too few to say"
    elif mean > interval[1]:
        verdict = "true less often than said"
    else:
        verdict = "true more often than said" if mean < interval[0] else "as said"
    return ReliabilityBin(low, high, n, mean, hits / n, interval, verdict)


def all_pairs(forecasts: Sequence[Forecast]) -> tuple[Array, Array]:
    """Every (job, cause) pair: the probability given, and 1 where the cause was the true one."""
    if not forecasts:
        return np.zeros(0), np.zeros(0)
    p = np.concatenate([one.probabilities for one in forecasts])
    happened = np.concatenate([np.arange(one.probabilities.size) == one.truth for one in forecasts]).astype(float)
    return p, happened


def scores(forecasts: Sequence[Forecast]) -> Scores | NoEvidence:
    """Scores of forecasts by one flow and of what they have to beat; ``NO_EVIDENCE`` without any."""
    if not forecasts:
        return NO_EVIDENCE
    truth = np.array([one.truth for one in forecasts])
    given, first = (np.stack([getattr(one, name) for one in forecasts]) for name in ("probabilities", "at_first"))
    return Scores(len(forecasts), brier(given, truth), brier(first, truth))
