"""How good the diagnosis is, and how honest its probabilities.

Probabilities are scored prequentially: each is the one given before the job's own cause entered the evidence
(A. Dawid, Statistical theory: the prequential approach, JRSS A 147, 1984). Names of the figures are the field's usual
ones (compare IEEE Std 1522); the formulas are ours and no conformance is claimed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shopkb.core.diagnosis.counting.closed_case import ClosedCase
from shopkb.core.diagnosis.rates.intervals import NO_EVIDENCE, Array, NoEvidence, Rate, jeffreys, wilson

LOG_FLOOR: Final = 0.005
EDGES: Final = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
TOO_FEW: Final = 20
SUSPECT: Final = 0.05
"""A cause above this at the end of a run belongs to its ambiguity group."""


@dataclass(frozen=True, eq=False)
class Forecast:
    """What was said about one job before its cause was known, and what it was.

    ``probabilities`` and ``at_first`` (before any result) are by cause, the last one ``other``; ``truth`` is the column
    of the confirmed cause. ``named`` is the column of the cause that the flow's own end named, ``None`` at any other
    end. ``minutes`` from the first result to the end, ``None`` when not all are known.
    """

    job: int
    month: str
    probabilities: Array
    at_first: Array
    truth: int
    named: int | None = None
    minutes: float | None = None


@dataclass(frozen=True, slots=True)
class Scores:
    """Brier score (sum over causes, 0 to 2) and log loss (nats) of ``jobs`` forecasts, and of what has to be beaten:
    the belief before any result, and the flow's own end taken as certain. ``brier_of_ends`` and, for comparison,
    ``brier_where_named`` are over the jobs whose end named a cause; ``None`` without any."""

    jobs: int
    brier: float
    log_loss: float
    brier_at_first: float
    log_loss_at_first: float
    brier_of_ends: float | None
    brier_where_named: float | None


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


@dataclass(frozen=True, slots=True)
class Isolation:
    """How well runs single out the fault.

    ``isolated`` is the share of verified runs that ended at the confirmed cause; ``within`` maps L to the share whose
    confirmed cause was among at most L suspects. ``ambiguity`` is the mean number of suspects at the end, and
    ``effective`` the mean of 2 to the entropy in bits, its smooth form. ``minutes`` is the mean to the named cause.
    """

    isolated: Rate | NoEvidence
    within: Mapping[int, Rate | NoEvidence]
    ambiguity: float | None
    effective: float | None
    minutes: float | None


@dataclass(frozen=True, slots=True)
class Outcomes:
    """What became of repairs: ``wrong_parts`` are repairs that did not cure among all; ``comebacks`` came back among
    the cures that were claimed; ``verified`` is the share of closed jobs with a proven cause."""

    wrong_parts: Rate | NoEvidence
    comebacks: Rate | NoEvidence
    verified: Rate | NoEvidence


def brier(probabilities: Array, truth: NDArray[np.intp]) -> float:
    """Mean over forecasts of the sum over causes of (p - 1[true])^2 (G. Brier 1950); ``probabilities`` n x causes."""
    hit = np.zeros_like(probabilities)
    hit[np.arange(len(truth)), truth] = 1.0
    return float(((probabilities - hit) ** 2).sum(axis=1).mean())


def log_loss(probabilities: Array, truth: NDArray[np.intp], floor: float = LOG_FLOOR) -> float:
    """Mean of -ln p of the true cause, in nats, p not below ``floor``."""
    p = probabilities[np.arange(len(truth)), truth]
    return float(-np.log(np.maximum(p, floor)).mean())


def reliability(p: Array, happened: Array, edges: Sequence[float] = EDGES) -> tuple[ReliabilityBin, ...]:
    """Were the things said to be 30 % likely true in 30 % of the cases? By bins of ``p``; the last holds its end."""
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
    """What was said with ``mean`` ``n`` times (at least once) and true ``hits`` times, judged by Wilson's interval."""
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
    """Scores of the forecasts and of what they have to beat; ``NO_EVIDENCE`` without any."""
    if not forecasts:
        return NO_EVIDENCE
    said = [(one.probabilities, one.truth) for one in forecasts]
    first = [(one.at_first, one.truth) for one in forecasts]
    ends = [(_certain(one), one.truth) for one in forecasts if one.named is not None]
    beside = [(one.probabilities, one.truth) for one in forecasts if one.named is not None]
    return Scores(
        len(forecasts), _mean_brier(said), _mean_loss(said), _mean_brier(first), _mean_loss(first),
        _mean_brier(ends) if ends else None, _mean_brier(beside) if beside else None,
    )  # fmt: skip


def _certain(one: Forecast) -> Array:
    certain = np.zeros_like(one.probabilities)
    certain[one.named] = 1.0
    return certain


def _mean_brier(pairs: Sequence[tuple[Array, int]]) -> float:
    return float(np.mean([brier(p[None, :], np.array([truth])) for p, truth in pairs]))


def _mean_loss(pairs: Sequence[tuple[Array, int]]) -> float:
    return float(np.mean([log_loss(p[None, :], np.array([truth])) for p, truth in pairs]))


def isolation(forecasts: Sequence[Forecast], sizes: Sequence[int] = (1, 2, 3)) -> Isolation:
    """How well the forecasts' runs singled out the fault."""
    n = len(forecasts)
    groups = [np.flatnonzero(one.probabilities > SUSPECT) for one in forecasts]
    within = {
        size: jeffreys(
            sum(one.truth in group and group.size <= size for one, group in zip(forecasts, groups, strict=True)), n
        )
        for size in sizes
    }
    minutes = [one.minutes for one in forecasts if one.named is not None and one.minutes is not None]
    return Isolation(
        isolated=jeffreys(sum(one.named == one.truth for one in forecasts), n),
        within=within,
        ambiguity=float(np.mean([group.size for group in groups])) if n else None,
        effective=float(np.mean([2 ** _entropy(one.probabilities) for one in forecasts])) if n else None,
        minutes=float(np.mean(minutes)) if minutes else None,
    )


def _entropy(p: Array) -> float:
    return -math.fsum(x * math.log2(x) for x in p.tolist() if x > 0)


def outcomes(cases: Sequence[ClosedCase]) -> Outcomes:
    """Wrong parts, comebacks and verified jobs among closed cases. A cure that came back counts as a wrong part too
    when its end was rejected."""
    wrong = sum(len(set(case.rejected)) for case in cases)
    cures = sum(case.verified for case in cases)
    claimed = sum(bool(case.claimed or case.cause) for case in cases)
    return Outcomes(
        wrong_parts=jeffreys(wrong, wrong + cures),
        comebacks=jeffreys(sum(case.came_back and bool(case.claimed or case.cause) for case in cases), claimed),
        verified=jeffreys(cures, len(cases)),
    )
