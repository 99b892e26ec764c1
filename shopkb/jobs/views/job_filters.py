"""The jobs behind a figure: what the address of the list of jobs may ask for."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from django.db.models import BooleanField, Case, Exists, OuterRef, Q, QuerySet, Value, When
from django.db.models.functions import Concat
from django.http import HttpRequest
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from shopkb.catalog.models import Cause
from shopkb.catalog.path_queries import path_within
from shopkb.core.diagnosis.counting.ageing import months_after
from shopkb.core.diagnosis.counting.flow_counts import branch_reach
from shopkb.core.diagnosis.counting.positions import positions
from shopkb.core.flow.model import Flow
from shopkb.jobs.models import Job, JobQuerySet, Repair, Result, ResultQuerySet, Verification
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.web.months import first_moment
from shopkb.web.numbers import row_number

MONTH = re.compile(r"(?:19|20)\d{2}-(?:0[1-9]|1[0-2])")
STUCK = (Job.Disposition.UNSOLVED, Job.Disposition.SENT_ELSEWHERE)
SKIPPED = "skip:"
"""Before the reason, in place of an outcome: the step was left out. Alone: for whatever reason."""
DONE = "done:"
"""In place of an outcome: the step was not left out."""

JOB_OUTCOMES = {
    "proven": "with a proven cause that held",
    "wrong": "with a repair that did not cure or last",
    "back": "that came back",
}

DEPARTURES = {
    "off-path": (Q(off_path=True), "with a step out of order"),
    "override": (~Q(override_why=""), "with an answer against the reading"),
    "skipped": (~Q(skipped=""), "with a step left out"),
}
"""How an answer may depart from the procedure: rows, and words."""


PARAMETERS = {"repaired_by": "mended", "closed_by": "closer", "job_outcome": "fate", "departure": "departed",
              "on_way": "way"}  # fmt: skip
"""Names in the address, where they differ from the fields of :class:`JobFilters`; links to them are kept."""


@dataclass(frozen=True, slots=True)
class JobFilters:
    """Filters of the list of jobs: keys, log-ins and paths as in the address; an empty text does not filter.

    ``since`` and ``until`` are months of closing, ``after`` a moment of closing (ISO 8601). ``at`` is the step that
    named a repaired cause, ``cause`` and ``also`` are numbers of causes, ``who`` recorded a result (of the step, if one
    is given), ``repaired_by`` made a repair, ``closed_by`` closed the job. ``ended`` is a disposition or ``stuck``,
    ``job_outcome`` a key of :data:`JOB_OUTCOMES`, ``departure`` one of :data:`DEPARTURES`. ``timed`` (any text): with a
    known time of the step, or with a procedure followed where no step is given. ``on_way`` (any text): who came to
    ``step`` on the written way of the revision in force. ``judged`` (any text): of those, jobs whose proven cause says
    whether the branch taken was right.
    ``revision`` is the number of the procedure's revision that was followed.
    """

    procedure: str = ""
    step: str = ""
    outcome: str = ""
    since: str = ""
    until: str = ""
    system: str = ""
    platform: str = ""
    symptom: str = ""
    at: str = ""
    cause: str = ""
    also: str = ""
    proof: str = ""
    who: str = ""
    repaired_by: str = ""
    closed_by: str = ""
    ended: str = ""
    job_outcome: str = ""
    after: str = ""
    departure: str = ""
    timed: str = ""
    on_way: str = ""
    judged: str = ""
    revision: str = ""

    @classmethod
    def of(cls, request: HttpRequest) -> JobFilters:
        """The filters in the address."""
        names = [field.name for field in fields(cls)]
        return cls(**{name: request.GET.get(PARAMETERS.get(name, name), "").strip()[:300] for name in names})

    @property
    def active(self) -> list[tuple[str, str]]:
        """The filters that are set, as (name in the address, value), to be kept in a form."""
        names = [field.name for field in fields(self)]
        return [(PARAMETERS.get(name, name), value) for name in names if (value := getattr(self, name))]

    @property
    def period(self) -> str:
        """The months in words."""
        if self.since and self.until:
            return (
                f"closed in {self.since}" if self.since == self.until else f"closed from {self.since} to {self.until}"
            )
        return f"closed since {self.since}" if self.since else f"closed until {self.until}" if self.until else ""

    @property
    def outcome_text(self) -> str:
        return JOB_OUTCOMES.get(self.job_outcome, "")

    @property
    def departure_text(self) -> str:
        return DEPARTURES[self.departure][1] if self.departure in DEPARTURES else ""

    def apply(self, jobs: JobQuerySet) -> JobQuerySet:
        """Those of the jobs that pass all filters."""
        jobs = self._when_and_what(jobs)
        way = _WrittenWay.of(self.procedure, self.step) if self.judged or self.on_way else None
        if self.judged and way is not None:
            jobs = jobs.filter(self._can_be_judged(way))
        elif way is not None:
            jobs = jobs.filter(self._with_result(self._on_way(way)))
        elif self.step or self.departure in DEPARTURES or self.who:
            jobs = jobs.filter(self._with_result(self._results()))
        elif self.procedure and (self.timed or not self.at):
            jobs = jobs.filter(self._with_result(self._of_revision(Result.objects.filter(retraction__isnull=True))))
        elif self.timed:
            jobs = jobs.filter(self._with_result(Result.objects.filter(retraction__isnull=True)))
        return self._repaired(jobs)

    def _with_result(self, results: QuerySet[Result]) -> Q:
        """Jobs with one of these answers.

        Those of a procedure are found once, from its runs; asked of each job, either database may look through all runs
        of the procedure again. Without a procedure the few answers of each job are looked at.
        """
        if self.procedure:
            return _found_once(results.filter(self._when("run__job__")).order_by().values("run__job"))
        return Q(Exists(results.filter(run__job=OuterRef("pk"))))

    def _results(self) -> ResultQuerySet:
        """Answers that stand and are as asked for."""
        results = self._of_revision(Result.objects.effective())
        if self.step:
            results = results.filter(step=self.step)
        if self.who:
            # Joined to nothing the name has no index, so that the few answers of a job are read, not all of a person.
            results = results.alias(name=Concat("who__username", Value(""))).filter(name=self.who)
        if self.departure in DEPARTURES:
            results = results.filter(DEPARTURES[self.departure][0])
        if self.timed:
            results = results.filter(seconds__isnull=False)
        return results.filter(self._outcome())

    def _of_revision(self, results: ResultQuerySet) -> ResultQuerySet:
        """Answers to the steps of the procedure, if one is asked for, and of one of its revisions, if one is."""
        if self.procedure:
            results = results.filter(run__revision__procedure__key=self.procedure)
        if self.procedure and self.revision:
            results = results.filter(run__revision__number=row_number(self.revision) or 0)
        return results

    def _on_way(self, way: _WrittenWay) -> QuerySet[Result]:
        """Of these answers those that a figure of a branch rests on."""
        return self._results().on_written_way().filter(run__revision__in=way.revisions)

    def _outcome(self) -> Q:
        if self.outcome == DONE:
            return Q(skipped="")
        if self.outcome.startswith(SKIPPED):
            reason = self.outcome.removeprefix(SKIPPED)
            return Q(skipped=reason) if reason else ~Q(skipped="")
        return Q(outcome=self.outcome) if self.outcome else Q()

    def _can_be_judged(self, way: _WrittenWay) -> Q:
        """As :func:`shopkb.core.diagnosis.counting.flow_counts.count` judges: where a branch may hand over, of a cause
        that this procedure does not list nothing can be said."""
        flow = way.flow
        branches = [(step.key, outcome.key) for step, outcome in flow.branches]
        beyond = {
            outcome: reach.beyond
            for (step, outcome), reach in zip(branches, branch_reach(flow, {}), strict=True)
            if step == self.step
        }
        results = self._on_way(way)
        within = results.filter(outcome__in=[key for key, far in beyond.items() if not far])
        handed = results.filter(outcome__in=[key for key, far in beyond.items() if far])
        own = {cause.identity for cause in flow.causes}
        listed = [cause.pk for cause in Cause.objects.select_related("component") if cause.identity in own]
        cured = Repair.objects.verified_as(Verification.Cured.YES).filter(job=OuterRef("pk"), cause__in=listed)
        return self._with_result(within) | (self._with_result(handed) & Q(Exists(cured)))

    def _when(self, job: str = "") -> Q:
        """Closed in the months and after the moment asked for; ``job`` is the way from the row to the job."""
        when = Q()
        if MONTH.fullmatch(self.since):
            when &= Q(**{f"{job}closed_at__gte": first_moment(self.since)})
        if MONTH.fullmatch(self.until):
            when &= Q(**{f"{job}closed_at__lt": first_moment(months_after(self.until, 1))})
        if moment := _moment(self.after):
            when &= Q(**{f"{job}closed_at__gte": moment})
        return when

    def _when_and_what(self, jobs: JobQuerySet) -> JobQuerySet:
        jobs = jobs.filter(self._when())
        if self.platform:
            jobs = jobs.filter(path_within("platform__path", self.platform))
        if self.symptom:
            jobs = jobs.filter(symptom__key=self.symptom)
        if self.closed_by:
            jobs = jobs.filter(closed_by__username=self.closed_by)
        if self.ended:
            jobs = jobs.filter(disposition__in=STUCK if self.ended == "stuck" else (self.ended,))
        return jobs

    def _repaired(self, jobs: JobQuerySet) -> JobQuerySet:
        """With one repair that passes all filters of repairs; for an outcome of the job, the repair that led to it."""
        repairs = Repair.objects.all()
        if self.at:
            repairs = repairs.filter(result__step=self.at, result__run__revision__procedure__key=self.procedure)
        if self.cause:
            repairs = repairs.filter(cause_id=row_number(self.cause) or 0)
        if self.also:
            repairs = repairs.filter(also=row_number(self.also) or 0)
        if self.system:
            repairs = repairs.filter(path_within("cause__component__path", self.system))
        if self.proof:
            repairs = repairs.filter(proof=self.proof)
        if self.repaired_by:
            # No index by name, as in _results.
            repairs = repairs.alias(name=Concat("who__username", Value(""))).filter(name=self.repaired_by)
        if self.job_outcome == "wrong":
            return jobs.filter(self._with_repair(repairs.wrong()))
        if self.job_outcome == "proven":
            return jobs.filter(self._with_repair(repairs.confirmed()))
        if self.job_outcome == "back":
            return jobs.filter(self._with_repair(repairs.taken_back()))
        active = (self.at, self.cause, self.also, self.system, self.proof, self.repaired_by)
        return jobs.filter(self._with_repair(repairs)) if any(active) else jobs

    def _with_repair(self, repairs: QuerySet[Repair]) -> Q:
        """Jobs with one of these repairs: found once where a cause or a step leaves few, else asked of each job."""
        if self.at or self.cause or self.also:
            return _found_once(repairs.filter(self._when("job__")).order_by().values("job"))
        return Q(Exists(repairs.filter(job=OuterRef("pk"))))


def _found_once(jobs: QuerySet[Any]) -> Q:
    """Jobs whose number is among these, which are found once. As a case of its own, since PostgreSQL would otherwise
    join the two, and guesses too few of these to join them well."""
    return Q(Case(When(pk__in=jobs, then=Value(True)), default=Value(False), output_field=BooleanField()))


@dataclass(frozen=True, slots=True)
class _WrittenWay:
    """The flow that figures are of, and the revisions in which a step is come to by the same ways as in this one."""

    flow: Flow
    revisions: list[int]

    @classmethod
    def of(cls, procedure: str, step: str) -> _WrittenWay | None:
        """``None`` where no revision is in force. One query, and one for each revision never met."""
        rows = Revision.objects.filter(procedure__key=procedure, published_at__isnull=False)
        flows = {row: flow_of(row) for row in rows}
        flow = next((flows[row] for row in flows if row.state == Revision.State.PUBLISHED), None)
        if flow is None:
            return None
        here = positions(flow).get(step)
        return cls(flow, [row.pk for row in flows if positions(flows[row]).get(step) == here])


def _moment(text: str) -> datetime | None:
    """Nothing of what is no moment, or of years that no month filter takes: the shop's clock could not show them."""
    try:
        found = parse_datetime(text)
    except ValueError:
        return None
    if found is None or timezone.is_naive(found) or not 1900 <= found.year <= 2099:
        return None
    return found
