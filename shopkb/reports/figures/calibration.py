"""Calibration of the probabilities: those given before a cause was known, against the cause that was proven. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from shopkb.core.diagnosis.scores.forecast_scores import TOO_FEW, ReliabilityBin, judged_bin
from shopkb.web.humanize import percent


@dataclass(frozen=True, slots=True)
class MonthScores:
    """Mean Brier scores (sum over causes, 0 to 2; less is better) of the forecasts of a month, and of saying the base
    rate every time. ``jobs`` counts a job once for each procedure that it followed."""

    month: str
    jobs: int
    brier: float
    base: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """Scores by month, all of them together (``None`` without any), and the reliability bins."""

    months: tuple[MonthScores, ...]
    whole: MonthScores | None
    bins: tuple[ReliabilityBin, ...]

    @property
    def paragraph(self) -> str:
        """For a manager, in plain words."""
        if self.whole is None:
            return (
                "Nobody has measured this yet. It is measured at night by the command measure_quality, "
                "from closed jobs with a proven cause."
            )
        return " ".join([*_scored(self.whole), *_reliable(self.bins)])


def calibration(records: Iterable[tuple[str, Mapping[str, Any]]]) -> Calibration:
    """From (month, figures) of the stored measurements, of one or of several procedures."""
    scored: dict[str, list[tuple[int, float, float]]] = defaultdict(list)
    bins: dict[tuple[float, float], list[tuple[int, float, float]]] = defaultdict(list)
    for month, figures in records:
        scores = figures.get("scores")
        if scores:
            scored[month].append((scores["jobs"], scores["brier"], scores["brier_at_first"]))
        for each in figures.get("bins", ()):
            if each["n"]:
                bins[each["low"], each["high"]].append((each["n"], each["mean"], each["share"]))
    months = tuple(_scores(month, parts) for month, parts in sorted(scored.items()))
    everything = [part for parts in scored.values() for part in parts]
    whole = _scores("", everything) if everything else None
    return Calibration(months, whole, tuple(_bin(*ends, parts) for ends, parts in sorted(bins.items())))


def _scores(month: str, parts: Sequence[tuple[int, float, float]]) -> MonthScores:
    jobs = sum(n for n, _brier, _base in parts)
    brier, base = (sum(part[0] * part[place] for part in parts) / jobs for place in (1, 2))
    return MonthScores(month, jobs, brier, base)


def _bin(low: float, high: float, parts: Sequence[tuple[int, float, float]]) -> ReliabilityBin:
    n = sum(part[0] for part in parts)
    mean = sum(part[0] * part[1] for part in parts) / n
    hits = round(sum(part[0] * part[2] for part in parts))
    return judged_bin(low, high, n, mean, hits)


def _scored(whole: MonthScores) -> list[str]:
    better = 1 - whole.brier / whole.base if whole.base else 0.0
    sentence = f"The tool had said {whole.jobs} times how likely each cause was before the cause was known."
    if better > 0.02:
        return [sentence, f"It missed by {percent(better)} less than somebody who always says the usual shares."]
    if better < -0.02:
        return [sentence, "It missed by more than somebody who always says the usual shares: do not rely on it yet."]
    return [sentence, "It did about as well as somebody who always says the usual shares."]


def _reliable(bins: Sequence[ReliabilityBin]) -> list[str]:
    judged = [each for each in bins if each.n >= TOO_FEW]
    if not judged:
        return ["Too little was said yet to tell whether 70 % means 70 %."]
    off = [each for each in judged if each.verdict != "as said"]
    if not off:
        return ["What it called 30 % likely was true about three times in ten, and so on all along the scale."]
    worst = max(off, key=lambda each: abs((each.share or 0.0) - (each.mean or 0.0)))
    return [
        f"In {len(judged) - len(off)} of {len(judged)} ranges its figures held.",
        f"Farthest off: what it called {percent(worst.mean)} likely on average was true in {percent(worst.share)}.",
    ]
