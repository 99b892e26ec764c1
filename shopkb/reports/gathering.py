"""What the figures are made of, read once and handed on as plain values: procedures in force and tallies.

Tallies cost the same however many jobs were closed. They are kept until the next closing, and each procedure's figures
until that procedure's own tallies change.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

from django.db.models import Case, IntegerField, QuerySet, Sum, Value, When

from shopkb.core.diagnosis.tallies import TallyKey, TallySums
from shopkb.core.flow.model import Flow
from shopkb.evidence.learning import SUM_FIELDS, stamp
from shopkb.evidence.models import Tally
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.figures_tests import PERIOD
from shopkb.reports.filters import Filters
from shopkb.reports.gathering_jobs import within
from shopkb.reports.memory import Memory

ALL_STEPS = ""
STEP_FIELDS = ("procedure", "step", "outcome", "cause", "proof")
RUN_FIELDS = ("procedure", "cause", "proof", "month")

ByProcedure = Mapping[str, Mapping[TallyKey, TallySums]]

_steps: Memory[ByProcedure] = Memory(8)
_related: Memory[ByProcedure] = Memory(4)
_halves: Memory[tuple[ByProcedure, ByProcedure]] = Memory(8)
_runs: Memory[Mapping[TallyKey, TallySums]] = Memory(16)


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


@dataclass(frozen=True, slots=True)
class Evidence:
    """The tallies as they stand at one stamp; what was summed at an equal stamp is not summed again."""

    filters: Filters
    stamp: int

    @classmethod
    def now(cls, filters: Filters) -> Evidence:
        """One query."""
        return cls(filters, stamp())

    def steps(self) -> ByProcedure:
        """Of the steps, summed over the months of the period and over platforms, by procedure. One query or none."""
        return _steps.of(self._name, self.stamp, lambda: _by_procedure(_sums(_tallies(self.filters), STEP_FIELDS)))

    def related(self) -> ByProcedure:
        """The same of every platform, each for itself: what the chosen one borrows from. One query or none."""
        everywhere = self.filters.but(platform="")
        fields = (*STEP_FIELDS, "platform")
        return _related.of(
            (everywhere.since, everywhere.until, everywhere.procedure),
            self.stamp,
            lambda: _by_procedure(_sums(_tallies(everywhere), fields)),
        )

    def before_and_since(self, month: str) -> tuple[ByProcedure, ByProcedure]:
        """Of the steps, all that was before this month, and from it to the end of the period. One query or none."""
        return _halves.of((*self._name, month), self.stamp, lambda: _parted(self.filters, month))

    def runs(self, since: str = "") -> Mapping[TallyKey, TallySums]:
        """Of procedures as a whole, by month, cause and proof, summed over platforms, over the period or from another
        month on. One query or none."""
        filters = self.filters.but(since=since or self.filters.since)
        return _runs.of((*self._name, since), self.stamp, lambda: _of_runs(filters))

    @property
    def _name(self) -> tuple[str, ...]:
        """What tallies can be told apart by, of all the filters."""
        return (self.filters.since, self.filters.until, self.filters.platform, self.filters.procedure)


def _tallies(filters: Filters) -> QuerySet[Tally]:
    rows = Tally.objects.filter(month__gte=filters.since, month__lte=filters.until)
    rows = rows.filter(within(filters.platform, "platform"))
    return rows.of(filters.procedure) if filters.procedure else rows


def _sums(rows: QuerySet[Tally], names: tuple[str, ...]) -> list[tuple[tuple[str, ...], TallySums]]:
    summed = rows.values_list(*names).annotate(**{f"sum_{name}": Sum(name) for name in SUM_FIELDS}).order_by()
    wide = len(names)
    return [(row[:wide], TallySums(*row[wide:])) for row in summed]


def _by_procedure(rows: list[tuple[tuple[str, ...], TallySums]]) -> ByProcedure:
    found: dict[str, dict[TallyKey, TallySums]] = defaultdict(dict)
    for (procedure, step, outcome, cause, proof, *platform), sums in rows:
        found[procedure][TallyKey(procedure, step, outcome, cause, proof, "".join(platform), PERIOD)] = sums
    return dict(found)


def _parted(filters: Filters, month: str) -> tuple[ByProcedure, ByProcedure]:
    late = Case(When(month__gte=month, then=Value(1)), default=Value(0), output_field=IntegerField())
    rows = _sums(_tallies(filters.but(since="")).annotate(late=late), (*STEP_FIELDS, "late"))
    parts: tuple[list[tuple[tuple[str, ...], TallySums]], ...] = ([], [])
    for (*key, place), sums in rows:
        parts[int(place)].append((tuple(key), sums))
    return _by_procedure(parts[0]), _by_procedure(parts[1])


def _of_runs(filters: Filters) -> dict[TallyKey, TallySums]:
    rows = _sums(_tallies(filters).filter(step=ALL_STEPS), RUN_FIELDS)
    return {
        TallyKey(procedure, ALL_STEPS, "", cause, proof, "", month): sums
        for (procedure, cause, proof, month), sums in rows
    }
