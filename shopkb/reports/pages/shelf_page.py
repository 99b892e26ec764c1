"""The page of the procedure library."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from django.urls import reverse
from django.utils import timezone

from shopkb.catalog.facts import facts as catalog_facts
from shopkb.catalog.models import Symptom
from shopkb.core.diagnosis.counting.tallies import Tallies
from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.findings import CheckFinding, Level
from shopkb.evidence.cache import Cache
from shopkb.jobs.job_facts import JobFact
from shopkb.procedures.models import Procedure, Revision
from shopkb.reports.figures.answers import Deviations, deviations
from shopkb.reports.figures.facts_of_period import Facts
from shopkb.reports.figures.shares import Share
from shopkb.reports.figures.shelf_health import (
    RECENT_MONTHS,
    DriftedBranch,
    UnservedSymptom,
    drifted_branches,
    latest_month,
    without_procedure,
)
from shopkb.reports.gathering.filters import Filters, month_before
from shopkb.reports.gathering.job_rows import once
from shopkb.reports.gathering.procedure_tallies import Evidence, InForce
from shopkb.reports.pages.page import Page, jobs_behind, jobs_tallied, look_for, on_jobs, procedure_at
from shopkb.reports.pages.report_data import ReportData
from shopkb.reports.pages.shelf_steps_tables import changed_readings, often_left_out
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table

EARLIEST = "0001-01"
SHELF = (
    Column("procedure", "Procedure"),
    Column("jobs", "Jobs in the period", ColumnKind.COUNT, "jobs"),
    Column("latest", "Last closed job", ColumnKind.MONTH),
    Column("drifted", "Branches no longer what they were", ColumnKind.COUNT),
    Column("findings", "Findings of the checks", ColumnKind.COUNT),
    Column("off_path", "Out of order", ColumnKind.SHARE, of="answers", latest=True),
    Column("overrides", "Against the reading", ColumnKind.SHARE, of="answers", latest=True),
    Column("skipped", "Left out", ColumnKind.SHARE, of="answers", latest=True),
)
NONE = Deviations()
REVIEW = (
    Column("revision", "Revision"),
    Column("author", "Author"),
    Column("days", "Days since it was begun", ColumnKind.DAYS, "days"),
)
DRIFTED = (
    Column("branch", "Branch"),
    Column("procedure", "Procedure"),
    Column("before", "Held before", ColumnKind.SHARE, of="jobs with a proven cause"),
    Column("of_late", "Held of late", ColumnKind.SHARE, of="jobs with a proven cause"),
    Column("evidence", "Weight of evidence", ColumnKind.NUMBER, "ln Bayes factor"),
)
DRIFTS_ABOUT = (
    f"The last {RECENT_MONTHS} months of the period against everything before; listed where a changed rate "
    "is at least seven times as likely as an unchanged one."
)
UNCARED = (Column("symptom", "Symptom"), Column("jobs", "Jobs", ColumnKind.COUNT, "jobs"), Column("do", "What to do"))
ABOUT = (
    "Departures are counted over the latest jobs: steps done out of order, answers against what the reading said, "
    "steps left out. A procedure without jobs is either new, not needed, or not found by those who need it."
)


def build(filters: Filters, now: datetime) -> Page:
    """Seventeen queries; more when something is met for the first time."""
    data = ReportData(filters)
    chosen, facts, evidence = data.chosen, data.facts, data.evidence
    runs = evidence.runs(since=EARLIEST)
    departed = once(deviations, facts.jobs)
    drifted = gathered_drifts(chosen, evidence)
    found = findings(chosen)
    used = _jobs_by_procedure(runs, filters)
    rows = [
        _row(
            one, used.get(key, 0), latest_month(runs, key), drifted, found[key], departed.get(key, NONE), filters, facts
        )
        for key, one in chosen.items()
    ]
    unserved = gathered_unserved(facts.jobs)
    waiting = tuple(_waiting(row, now) for row in reviews())
    return Page(
        "shelf",
        "Procedure library",
        _intro(chosen, used, waiting),
        (
            Table("shelf", "Procedures in force", SHELF, tuple(rows), ABOUT, "No procedure is in force.",
                  latest=facts.latest),
            Table("reviews", "Waiting for review", REVIEW, waiting, empty="Nothing waits for review."),
            Table("drifted_branches", "Branches no longer what they were", DRIFTED,
                  tuple(_drift(d, chosen, filters) for d in drifted), DRIFTS_ABOUT, "No branch has clearly changed."),
            changed_readings(data),
            often_left_out(data),
            Table("symptoms-without-procedure", "Symptoms without a procedure", UNCARED,
                  tuple(_unserved(row, filters, facts) for row in unserved), facts.words,
                  "Every symptom that jobs came in with has a procedure.", latest=facts.latest),
        ),
    )  # fmt: skip


_drifts: Cache[tuple[DriftedBranch, ...]] = Cache(256)
_findings: Cache[tuple[CheckFinding, ...]] = Cache(256)


def gathered_drifts(chosen: Mapping[str, InForce], evidence: Evidence) -> tuple[DriftedBranch, ...]:
    """No query where sums are kept, four at most."""
    filters = evidence.filters
    whole, of_late = evidence.branches(), evidence.branches(month_before(filters.until, RECENT_MONTHS - 1))

    def of(key: str, published: InForce) -> tuple[DriftedBranch, ...]:
        name = (key, filters.until, filters.platform)
        rests_on = (published.revision.checksum, whole[key], of_late[key])
        return _drifts.of(name, rests_on, lambda: drifted_branches(published.flow, whole[key], of_late[key]))

    return tuple(drift for key, published in chosen.items() for drift in of(key, published))


def gathered_unserved(jobs: Sequence[JobFact]) -> tuple[UnservedSymptom, ...]:
    """Two queries."""
    served = Procedure.objects.published().values_list("symptoms__key", flat=True)
    return without_procedure(jobs, dict(Symptom.objects.values_list("key", "name")), [key for key in served if key])


def findings(chosen: Mapping[str, InForce]) -> dict[str, tuple[CheckFinding, ...]]:
    """What the checks say of the revisions in force today, against the catalog as it is. Six queries."""
    catalog = catalog_facts(Procedure.objects.order_by().values_list("key", flat=True))

    def of(published: InForce) -> tuple[CheckFinding, ...]:
        rests_on = (published.revision.checksum, catalog)
        return _findings.of(published.procedure.key, rests_on, lambda: check_flow(published.flow, catalog))

    return {key: of(published) for key, published in chosen.items()}


def reviews() -> list[Revision]:
    """Oldest first. One query."""
    waiting = Revision.objects.filter(state=Revision.State.IN_REVIEW).select_related("procedure", "author")
    return list(waiting.order_by("created_at"))


def _jobs_by_procedure(runs: Tallies, filters: Filters) -> dict[str, int]:
    """Jobs of the period."""
    found: dict[str, int] = {}
    for key, sums in runs.items():
        if key.month >= filters.since:
            found[key.procedure] = found.get(key.procedure, 0) + sums.count
    return found


def _intro(chosen: Mapping[str, InForce], used: Mapping[str, int], waiting: Sequence[Row]) -> str:
    idle = sum(not used.get(key) for key in chosen)
    words = f"{len(chosen)} procedures in force, {idle} of them not used in this period"
    return f"{words}; {len(waiting)} revisions wait for review." if waiting else f"{words}."


def _row(
    published: InForce,
    jobs: int,
    latest: str,
    drifted: Sequence[DriftedBranch],
    found: Sequence[CheckFinding],
    departed: Deviations,
    filters: Filters,
    facts: Facts,
) -> Row:
    key = published.procedure.key

    def behind(how: str) -> str:
        return jobs_behind(filters, procedure=key, departed=how, after=facts.after)

    _, out_of_order, against, left_out = departed.jobs
    changed = sum(one.procedure == key for one in drifted)
    errors = sum(finding.level is Level.ERROR for finding in found)
    return {
        "procedure": Cell(
            published.flow.title,
            procedure_at(key),
            f"revision {published.revision.number}, {published.procedure.owner}",
        ),
        "jobs": Cell(jobs, jobs_tallied(filters, procedure=key) if jobs else "", "" if jobs else "unused"),
        "latest": Cell(latest or "never"),
        "drifted": Cell(changed, "#drifted_branches" if changed else ""),
        "findings": Cell(len(found), procedure_at(key) if found else "", f"{errors} of them errors" if errors else ""),
        "off_path": Cell(Share(departed.off_path, departed.answers), behind("off-path"), on_jobs(out_of_order)),
        "overrides": Cell(Share(departed.overrides, departed.answers), behind("override"), on_jobs(against)),
        "skipped": Cell(Share(departed.skipped, departed.answers), behind("skipped"), on_jobs(left_out)),
    }


def _waiting(row: Revision, now: datetime) -> Row:
    return {
        "revision": Cell(str(row), reverse("procedures:revision", args=[row.procedure.key, row.number])),
        "author": Cell(str(row.author)),
        "days": Cell((timezone.localtime(now).date() - timezone.localtime(row.created_at).date()).days),
    }


def _drift(drift: DriftedBranch, chosen: Mapping[str, InForce], filters: Filters) -> Row:
    published = chosen[drift.procedure]
    step = published.flow.step_by_key[drift.step]
    at = reverse("procedures:step", args=[drift.procedure, published.revision.number, drift.step])
    late = month_before(filters.until, RECENT_MONTHS - 1)
    branch = {"procedure": drift.procedure, "step": drift.step, "outcome": drift.outcome}
    judged = {**branch, "fate": "proven", "judged": "1"}
    return {
        "branch": Cell(f"{step.title}: {step.outcome(drift.outcome).label}", at),
        "procedure": Cell(published.flow.title),
        "before": Cell(drift.before, jobs_tallied(filters.but(since="", until=month_before(late)), **judged)),
        "of_late": Cell(drift.of_late, jobs_tallied(filters.but(since=late), **judged)),
        "evidence": Cell(drift.log_bayes),
    }


def _unserved(row: UnservedSymptom, filters: Filters, facts: Facts) -> Row:
    about = {"symptom": row.symptom}
    return {
        "symptom": Cell(row.name),
        "jobs": Cell(row.jobs, jobs_behind(filters, procedure=filters.procedure, after=facts.after, **about)),
        "do": Cell("See what is on the shelf, and ask a writer for one", look_for(**about)),
    }
