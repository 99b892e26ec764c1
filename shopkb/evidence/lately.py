"""What closed jobs say of a procedure lately: what proved right, what came back, what is not what it was, since when it
is unused. Whether a procedure is stale shows in its evidence, not in its age."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from django.db.models import Max, Sum

from shopkb.core.diagnosis.ageing import month_number
from shopkb.core.diagnosis.drift import LATELY, Drift, drift
from shopkb.core.flow.model import Flow
from shopkb.evidence.insight import full_tallies, remembered
from shopkb.evidence.learning import stamp_of
from shopkb.evidence.models import Tally

MOST = 5
"""Causes that are listed."""


@dataclass(frozen=True, slots=True)
class Proven:
    """A cause that proved right: its identity, the month of the last job, and how many jobs in all."""

    cause: str
    month: str
    jobs: int


@dataclass(frozen=True, slots=True)
class Lately:
    """``proven``: latest first. ``came_back``: of the last months' claimed cures, those that came back. ``followed``:
    the month in which it was last followed, empty if never; ``unused``: whether that is longer ago than the last
    months."""

    drift: Drift
    proven: tuple[Proven, ...]
    came_back: int
    followed: str
    unused: bool


def lately(flow: Flow, checksum: str, month: str) -> Lately:
    """As of ``month`` (``YYYY-MM``). One query, and one more after a closing: remembered until the tallies change."""
    stamp = stamp_of(flow.procedure).values_list("stamp", flat=True).first() or 0
    key = ("lately", flow.procedure, checksum, month, stamp)
    return remembered(key, lambda: _worked_out(flow, month))


def _worked_out(flow: Flow, month: str) -> Lately:
    found = full_tallies(flow.procedure)
    since = month_number(month) - LATELY
    jobs: dict[str, int] = defaultdict(int)
    last: dict[str, str] = {}
    for key, sums in found.items():
        if key.cause and not key.step and sums.count:
            jobs[key.cause] += sums.count
            last[key.cause] = max(last.get(key.cause, ""), key.month)
    proven = sorted((Proven(cause, last[cause], jobs[cause]) for cause in jobs), key=lambda one: one.cause)
    proven.sort(key=lambda one: one.month, reverse=True)
    back = sum(sums.came_back for key, sums in found.items() if not key.step and month_number(key.month) > since)
    followed = max((key.month for key, sums in found.items() if sums.count), default="")
    unused = bool(followed) and month_number(followed) <= since
    return Lately(drift(flow, found, as_of=month), tuple(proven[:MOST]), back, followed, unused)


def last_proven() -> dict[str, list[Proven]]:
    """By procedure, the causes that proved right, latest first. One query for all procedures."""
    rows = (
        Tally.objects.filter(step="")
        .exclude(cause="")
        .values("procedure", "cause")
        .annotate(last=Max("month"), jobs=Sum("count"))
        .filter(jobs__gt=0)
        .order_by("procedure", "-last", "-jobs", "cause")
    )
    found: dict[str, list[Proven]] = defaultdict(list)
    for row in rows:
        found[row["procedure"]].append(Proven(row["cause"], row["last"], row["jobs"]))
    return dict(found)
