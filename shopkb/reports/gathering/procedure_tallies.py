"""Procedures in force and their tallies, read once as plain values.

The sums of a procedure are kept, and what a closing changed is added to them; they are read again only where nothing
is kept.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from django.db.models import QuerySet, Sum

from shopkb.catalog.path_queries import path_within
from shopkb.core.diagnosis.counting.tallies import Tallies, TallyKey, TallySums, merge, take_back
from shopkb.core.flow.model import Flow
from shopkb.core.identifiers import is_within
from shopkb.evidence.cache import TallyCache
from shopkb.evidence.learning import SUM_FIELDS, stamps
from shopkb.evidence.models import Tally
from shopkb.evidence.tally_log import TallyChange
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.figures.new_revisions import InForceSince
from shopkb.reports.figures.step_figures import PERIOD
from shopkb.reports.gathering.filters import Filters

ALL_STEPS = ""
STEP_FIELDS = ("step", "outcome", "cause", "proof", "position")
BRANCH_FIELDS = ("step", "outcome", "cause", "position")
RUN_FIELDS = ("cause", "proof", "month")


@dataclass(frozen=True, slots=True)
class InForce:
    """A procedure with the revision in force."""

    procedure: Procedure
    revision: Revision
    flow: Flow


def in_force(filters: Filters) -> dict[str, InForce]:
    """Procedures in force that the filters let through, by key. One query, and one for each revision never met."""
    rows = Revision.objects.filter(state=Revision.State.PUBLISHED).filter(
        path_within("procedure__system__path", filters.system)
    )
    if filters.symptom:
        rows = rows.filter(procedure__symptoms__key=filters.symptom)
    if filters.procedure:
        rows = rows.filter(procedure__key=filters.procedure)
    rows = rows.select_related("procedure__system", "procedure__owner").order_by("procedure__title")
    return {row.procedure.key: InForce(row.procedure, row, flow_of(row)) for row in rows}


def came_into_force(chosen: Collection[str], since: datetime, until: datetime) -> tuple[InForceSince, ...]:
    """Revisions of these procedures that are in force, took the place of another, and did so between these moments,
    the latest first. One query."""
    rows = (
        Revision.objects.filter(procedure__key__in=chosen, published_at__isnull=False)
        .filter(state__in=[Revision.State.PUBLISHED, Revision.State.REPLACED])
        .order_by("procedure__key", "-published_at", "-number")
        .values_list("procedure__key", "number", "state", "published_at", "why")
    )
    found = []
    for _key, of_one in groupby(rows, key=lambda row: row[0]):
        newest, *others = of_one
        key, number, state, at, why = newest
        before_at = others[0][3] if others else None
        if state == Revision.State.PUBLISHED and at and before_at and since <= at < until:
            found.append(InForceSince(key, number, at, why, others[0][1], before_at))
    return tuple(sorted(found, key=lambda one: one.at, reverse=True))


ByProcedure = Mapping[str, Tallies]

MOST = 400
"""Procedures times filters whose sums are kept."""


@dataclass(frozen=True, slots=True)
class TallySlice:
    """Which tallies are summed, and by which fields the sums are told apart; the month is a field or the whole
    period. Empty ``since`` means since ever."""

    since: str
    until: str
    platform: str
    names: tuple[str, ...]

    def __contains__(self, key: TallyKey) -> bool:
        return (
            self.since <= key.month <= self.until
            and is_within(key.platform, self.platform)
            and ("step" in self.names or key.step == ALL_STEPS)
        )

    def rows(self, procedures: Collection[str]) -> QuerySet[Tally]:
        rows = Tally.objects.filter(procedure__in=procedures, month__gte=self.since, month__lte=self.until)
        rows = rows.filter(path_within("platform", self.platform))
        return rows if "step" in self.names else rows.filter(step=ALL_STEPS)

    def key(self, procedure: str, told: Mapping[str, str]) -> TallyKey:
        """Key of a sum: fields summed over are empty, the month :data:`PERIOD`."""
        parts = {name: told[name] for name in self.names}
        return TallyKey(procedure, **{**_SUMMED_OVER, **parts})

    def summed(self, tallies: Tallies) -> dict[TallyKey, TallySums]:
        """The same sums of a few tallies at hand."""
        found: dict[TallyKey, TallySums] = {}
        for full, sums in tallies.items():
            if full in self:
                key = self.key(full.procedure, {name: getattr(full, name) for name in self.names})
                found[key] = found.get(key, TallySums()) + sums
        return found


_SUMMED_OVER = {
    "step": ALL_STEPS, "outcome": "", "cause": "", "proof": "", "platform": "", "month": PERIOD, "position": "",
}  # fmt: skip


def _updated(kept: tuple[TallySlice, Tallies], since: Sequence[TallyChange]) -> tuple[TallySlice, Tallies]:
    place, sums = kept[0], dict(kept[1])
    for added, taken in since:
        for key, part in merge([place.summed(added), take_back(place.summed(taken))]).items():
            if total := sums.pop(key, TallySums()) + part:
                sums[key] = total
    return place, sums


_kept: TallyCache[tuple[TallySlice, Tallies]] = TallyCache(MOST, _updated)


@dataclass(frozen=True, slots=True)
class Evidence:
    """The tallies of some procedures as they stand, by the stamps that they had."""

    filters: Filters
    stamps: Mapping[str, int]

    @classmethod
    def now(cls, filters: Filters, procedures: Collection[str]) -> Evidence:
        """One query."""
        return cls(filters, stamps(procedures))

    def steps(self) -> ByProcedure:
        """Of the steps, summed over the months of the period and over platforms."""
        return self._summed(STEP_FIELDS)

    def related(self) -> ByProcedure:
        """The same of every platform, each for itself: what the chosen one borrows from."""
        return self._summed((*STEP_FIELDS, "platform"), platform="")

    def branches(self, since: str = "") -> ByProcedure:
        """Of the steps by cause, from this month or from ever to the end of the period."""
        return self._summed(BRANCH_FIELDS, since=since)

    def runs(self, since: str | None = None) -> Tallies:
        """Of the procedures as a whole, all in one, by month, cause and proof, summed over platforms; over the period
        or from another month on."""
        found = self._summed(RUN_FIELDS, since=self.filters.since if since is None else since)
        return {key: sums for mine in found.values() for key, sums in mine.items()}

    def _summed(self, names: tuple[str, ...], since: str | None = None, platform: str | None = None) -> ByProcedure:
        """No query where sums are kept, or two: one reads, one makes sure that nothing moved meanwhile."""
        place = TallySlice(
            self.filters.since if since is None else since,
            self.filters.until,
            self.filters.platform if platform is None else platform,
            names,
        )
        kept = {key: _kept.at_stamp((key, place), key, number) for key, number in self.stamps.items()}
        found = {key: one[1] for key, one in kept.items() if one is not None}
        if missing := [key for key, one in kept.items() if one is None]:
            read = _read(place, missing)
            still = stamps(missing)
            for key, sums in read.items():
                if still[key] == self.stamps[key]:
                    _kept.keep((key, place), still[key], (place, sums))
            found |= read
        return {key: found[key] for key in self.stamps}


def _read(place: TallySlice, procedures: list[str]) -> dict[str, dict[TallyKey, TallySums]]:
    """One query."""
    found: dict[str, dict[TallyKey, TallySums]] = {key: {} for key in procedures}
    totals = {f"sum_{name}": Sum(name) for name in SUM_FIELDS}
    wide = len(place.names)
    rows = place.rows(procedures).values_list("procedure", *place.names).annotate(**totals).order_by()
    for procedure, *row in rows:
        key = place.key(procedure, dict(zip(place.names, row, strict=False)))
        found[procedure][key] = TallySums(*row[wide:])
    return found
