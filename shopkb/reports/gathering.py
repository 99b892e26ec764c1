"""What the figures are made of, read once and handed on as plain values: procedures in force and tallies.

Tallies cost the same however many jobs were closed, and the sums of a procedure are kept until its own tallies change.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from django.db.models import Q, Sum

from shopkb.core.diagnosis.tallies import Tallies, TallyKey, TallySums
from shopkb.core.flow.model import Flow
from shopkb.evidence.learning import SUM_FIELDS, stamps
from shopkb.evidence.models import Tally
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.figures_tests import PERIOD
from shopkb.reports.filters import Filters
from shopkb.reports.gathering_jobs import within
from shopkb.reports.memory import Memory

ALL_STEPS = ""
STEP_FIELDS = ("step", "outcome", "cause", "proof")
RUN_FIELDS = ("cause", "proof", "month")


@dataclass(frozen=True, slots=True)
class InForce:
    """A procedure with the revision in force."""

    procedure: Procedure
    revision: Revision
    flow: Flow


def in_force(filters: Filters) -> dict[str, InForce]:
    """Procedures in force that the filters let through, by key. One query, and four for each revision never met."""
    rows = Revision.objects.filter(state=Revision.State.PUBLISHED).filter(
        within(filters.system, "procedure__system__path")
    )
    if filters.symptom:
        rows = rows.filter(procedure__symptoms__key=filters.symptom)
    if filters.procedure:
        rows = rows.filter(procedure__key=filters.procedure)
    rows = rows.select_related("procedure__system", "procedure__owner").order_by("procedure__title")
    return {row.procedure.key: InForce(row.procedure, row, flow_of(row)) for row in rows}


ByProcedure = Mapping[str, Mapping[TallyKey, TallySums]]
Kept = Memory[dict[TallyKey, TallySums]]

MOST = 400
"""Procedures times filters whose sums are kept."""
_steps: Kept = Memory(MOST)
_related: Kept = Memory(MOST)
_runs: Kept = Memory(MOST)
_counts: Memory[tuple[Tallies, Tallies]] = Memory(MOST)


@dataclass(frozen=True, slots=True)
class Evidence:
    """The tallies of some procedures as they stand. Sums that were made before are made again only for those procedures
    whose stamp has changed: in one query, or none."""

    filters: Filters
    stamps: Mapping[str, int]

    @classmethod
    def now(cls, filters: Filters, procedures: Collection[str]) -> Evidence:
        """One query."""
        return cls(filters, stamps(procedures))

    def steps(self) -> ByProcedure:
        """Of the steps, summed over the months of the period and over platforms."""
        return self._summed(_steps, self.filters, STEP_FIELDS)

    def counts(self, month: str) -> Mapping[str, tuple[Tallies, Tallies]]:
        """Jobs of the steps by cause, since ever and since this month, to the end of the period; nothing but counts."""
        place = (month, self.filters.until, self.filters.platform)
        found = {key: _counts.held((key, *place), number) for key, number in self.stamps.items()}
        missing = [key for key, held in found.items() if held is None]
        for key, halves in _halves(self.filters, missing, month).items():
            _counts.keep((key, *place), self.stamps[key], halves)
            found[key] = halves
        return {key: held for key, held in found.items() if held is not None}

    def related(self) -> ByProcedure:
        """The same of every platform, each for itself: what the chosen one borrows from."""
        return self._summed(_related, self.filters.but(platform=""), (*STEP_FIELDS, "platform"))

    def runs(self, since: str = "") -> Tallies:
        """Of the procedures as a whole, all in one, by month, cause and proof, summed over platforms; over the period
        or from another month on."""
        summed = self._summed(_runs, self.filters.but(since=since or self.filters.since), RUN_FIELDS)
        return {key: sums for mine in summed.values() for key, sums in mine.items()}

    def _summed(self, kept: Kept, filters: Filters, names: tuple[str, ...]) -> ByProcedure:
        place = (filters.since, filters.until, filters.platform)
        found = {key: kept.held((key, *place), number) for key, number in self.stamps.items()}
        missing = [key for key, held in found.items() if held is None]
        for key, sums in _sums(filters, missing, names).items():
            kept.keep((key, *place), self.stamps[key], sums)
            found[key] = sums
        return {key: held for key, held in found.items() if held is not None}


def _halves(filters: Filters, procedures: list[str], month: str) -> dict[str, tuple[Tallies, Tallies]]:
    found: dict[str, tuple[dict[TallyKey, TallySums], dict[TallyKey, TallySums]]] = {
        key: ({}, {}) for key in procedures
    }
    if not procedures:
        return {}
    rows = Tally.objects.filter(
        within(filters.platform, "platform"), procedure__in=procedures, month__lte=filters.until
    )
    rows = rows.exclude(cause="").exclude(step=ALL_STEPS).values_list("procedure", "step", "outcome", "cause")
    late = Sum("count", filter=Q(month__gte=month), default=0)
    for procedure, step, outcome, cause, whole, recent in rows.annotate(whole=Sum("count"), late=late).order_by():
        key = TallyKey(procedure, step, outcome, cause, "", "", PERIOD)
        found[procedure][0][key], found[procedure][1][key] = TallySums(whole), TallySums(recent)
    return dict(found)


def _sums(filters: Filters, procedures: list[str], names: tuple[str, ...]) -> dict[str, dict[TallyKey, TallySums]]:
    """Tallies under what is told apart by ``names``; what is summed over is empty in the key, or :data:`PERIOD`."""
    found: dict[str, dict[TallyKey, TallySums]] = {key: {} for key in procedures}
    if not procedures:
        return found
    rows = Tally.objects.filter(procedure__in=procedures, month__gte=filters.since, month__lte=filters.until)
    rows = rows.filter(within(filters.platform, "platform"))
    if "step" not in names:
        rows = rows.filter(step=ALL_STEPS)
    summed = rows.values_list("procedure", *names).annotate(**{f"sum_{name}": Sum(name) for name in SUM_FIELDS})
    wide = len(names) + 1
    for procedure, *row in summed.order_by():
        told = dict(zip(names, row, strict=False))
        key = TallyKey(
            procedure, told.get("step", ALL_STEPS), told.get("outcome", ""), told["cause"], told["proof"],
            told.get("platform", ""), told.get("month", PERIOD),
        )  # fmt: skip
        found[procedure][key] = TallySums(*row[wide - 1 :])
    return found
