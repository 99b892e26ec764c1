"""Recent evidence on a procedure: causes proven, cures that came back, drift, and since when it is unused.

Whether a procedure is out of date shows in its evidence, not in its age."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from django.db.models import Max, Sum

from shopkb.core.diagnosis.counting.ageing import month_number
from shopkb.core.diagnosis.counting.flow_counts import FlowCounts, count
from shopkb.core.diagnosis.counting.tallies import Tallies, TallyKey, TallySums, merge, take_back
from shopkb.core.diagnosis.counting.updated_counts import updated_counts
from shopkb.core.diagnosis.scores.drift import RECENT_MONTHS, Drift, Skipped, drift_between, often_skipped, split
from shopkb.core.flow.model import Flow
from shopkb.evidence.cache import TallyCache
from shopkb.evidence.learned_procedure import COUNTS_KEPT, ReadTallies, cached, read_tallies
from shopkb.evidence.learning import stamp_of
from shopkb.evidence.models import Tally
from shopkb.evidence.tally_log import TallyChange

MOST = 5
"""Causes that are listed."""


@dataclass(frozen=True, slots=True)
class Proven:
    """A cause that proved right: its identity, the month of the last job, and how many jobs in all."""

    cause: str
    month: str
    jobs: int


@dataclass(frozen=True, slots=True)
class RecentEvidence:
    """``proven``: latest first. ``came_back``: of the last months' claimed cures, those that came back. ``followed``:
    the month in which it was last followed, empty if never; ``unused``: whether that is longer ago than the last
    months. ``skipped``: steps often skipped in the last months."""

    drift: Drift
    proven: tuple[Proven, ...]
    came_back: int
    followed: str
    unused: bool
    skipped: tuple[Skipped, ...] = ()


@dataclass(frozen=True, eq=False)
class _Halves:
    """The counts of the last months and of the months before, and the runs by cause and month."""

    month: str
    recent: FlowCounts
    before: FlowCounts
    runs: Tallies


def recent_evidence(flow: Flow, checksum: str, month: str, read: ReadTallies = read_tallies) -> RecentEvidence:
    """As of ``month`` (``YYYY-MM``). One query: cached until the tallies change, and updated by what a closing in
    this process changed. Two more where nothing is cached; ``read`` is as for :func:`learned_procedure`."""
    stamp = stamp_of(flow.procedure).values_list("stamp", flat=True).first() or 0
    name = ("recent", flow.procedure, checksum, month)

    def make() -> RecentEvidence:
        return _evidence_of(
            _halves.counted(name, flow.procedure, stamp, lambda: _count(flow, month, read(flow.procedure, stamp)))
        )

    return cached((*name, stamp), make)


def _count(flow: Flow, month: str, found: Tallies) -> _Halves:
    recent, before = (count(flow, half, as_of=month, half_life=None) for half in split(found, month))
    return _Halves(month, recent, before, _runs(found))


def _updated(kept: _Halves, since: Sequence[TallyChange]) -> _Halves | None:
    runs, halves = kept.runs, (kept.recent, kept.before)
    for change in since:
        parts = zip(*(split(part, kept.month) for part in change), strict=True)
        found = [updated_counts(half, *part, as_of=kept.month, half_life=None)
                 for half, part in zip(halves, parts, strict=True)]  # fmt: skip
        if found[0] is None or found[1] is None:
            return None
        halves = found[0], found[1]
        runs = merge([runs, _runs(change.added), take_back(_runs(change.taken))])
    return _Halves(kept.month, *halves, runs)


_halves: TallyCache[_Halves] = TallyCache(COUNTS_KEPT, _updated)


def _runs(tallies: Tallies) -> dict[TallyKey, TallySums]:
    """Of the procedure as a whole, by cause and month."""
    return merge({replace(key, proof="", platform=""): sums} for key, sums in tallies.items() if not key.step)


def _evidence_of(halves: _Halves) -> RecentEvidence:
    since = month_number(halves.month) - RECENT_MONTHS
    jobs: dict[str, int] = defaultdict(int)
    last: dict[str, str] = {}
    for key, sums in halves.runs.items():
        if key.cause and sums.count:
            jobs[key.cause] += sums.count
            last[key.cause] = max(last.get(key.cause, ""), key.month)
    proven = sorted((Proven(cause, last[cause], jobs[cause]) for cause in jobs), key=lambda one: one.cause)
    proven.sort(key=lambda one: one.month, reverse=True)
    back = sum(sums.came_back for key, sums in halves.runs.items() if month_number(key.month) > since)
    followed = max((key.month for key, sums in halves.runs.items() if sums.count), default="")
    unused = bool(followed) and month_number(followed) <= since
    changed, skipped = drift_between(halves.recent, halves.before), often_skipped(halves.recent)
    return RecentEvidence(changed, tuple(proven[:MOST]), back, followed, unused, skipped)


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
