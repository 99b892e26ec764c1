"""What comes back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from shopkb.accounts.models import User
from shopkb.catalog.models import Cause
from shopkb.reports.figures_comebacks import (
    ComebackFigures,
    WrongParts,
    by_cause,
    by_person,
    by_procedure,
    by_proof,
    wrong_parts,
)
from shopkb.reports.filters import Filters
from shopkb.reports.gathering import Evidence, in_force
from shopkb.reports.gathering_jobs import job_facts
from shopkb.reports.job_facts import JobFact
from shopkb.reports.pages.page import Page, capital, cause_name, jobs_behind, one_job
from shopkb.reports.tables import Cell, Column, Kind, Row, Table

SHARE = Column("back", "Came back", Kind.SHARE, of="cures that were claimed")
YOUNG = Column("young", "Too young to judge", Kind.COUNT, "cures under 60 days")
DAYS = Column("days", "Days until then", Kind.DAYS, "days, median")
BY_CAUSE = (Column("cause", "Cause"), Column("procedure", "Procedure"), SHARE, YOUNG, DAYS)
WRONG = (
    Column("cause", "Blamed cause"),
    Column("wrong", "Did not cure or last", Kind.SHARE, of="repairs that were judged"),
    Column("parts", "Parts fitted"),
)
EACH = (
    Column("job", "Job", Kind.COUNT),
    Column("again", "Closed", Kind.DATE),
    Column("cause", "Cause that was claimed"),
    Column("proof", "Proof"),
    Column("days", "Days until it came back", Kind.DAYS, "days"),
)
ABOUT = (
    "Among the cures claimed in the period, those that came back. A cure under 60 days old may still do so: "
    "where there are such, the figure is provisional."
)


def build(filters: Filters, now: datetime) -> Page:
    """Seven queries; more when something is met for the first time."""
    chosen = in_force(filters)
    titles = {key: held.flow.title for key, held in chosen.items()}
    facts = job_facts(filters)
    tallies = Evidence.now(filters, chosen).runs()
    numbers = cause_numbers()
    people = dict(User.objects.values_list("username", "called"))
    back = [job for job in facts.jobs if job.back_at]
    tables = (
        _table("comebacks", "By cause", by_cause(tallies, facts.jobs, now), filters, titles, numbers),
        _plain("comebacks-by-procedure", "By procedure", by_procedure(tallies, facts.jobs, now), filters, titles),
        _plain("comebacks-by-proof", "By how the cause was proven", by_proof(tallies, facts.jobs, now), filters, {}),
        _plain("comebacks-by-person", "By who made the repair", by_person(facts.jobs, now), filters, people),
        Table("wrong-parts", "Wrong parts fitted", WRONG,
              tuple(_wrong(row, filters, numbers) for row in wrong_parts(facts.jobs)),
              facts.words, "No repair of this period is known to have been wrong."),
        Table("each-comeback", "Each job that came back", EACH, tuple(_each(job) for job in back), facts.words,
              "No job of this period has come back."),
    )  # fmt: skip
    return Page("comebacks", "What comes back", _intro(facts.jobs, back), tables)


def _intro(jobs: Sequence[JobFact], back: Sequence[JobFact]) -> str:
    claimed = sum(job.claimed is not None for job in jobs)
    if not claimed:
        return "No cure was claimed in this period."
    return f"{len(back)} of {claimed} jobs that were closed as cured came back."


def cause_numbers() -> dict[str, int]:
    """Identity to number. One query."""
    return {row.identity: row.pk for row in Cause.objects.select_related("component").order_by()}


def _table(
    name: str,
    title: str,
    found: Sequence[ComebackFigures],
    filters: Filters,
    titles: Mapping[str, str],
    numbers: Mapping[str, int],
) -> Table:
    def cells(row: ComebackFigures) -> Row:
        behind = jobs_behind(filters, procedure=row.procedure, cause=str(numbers.get(row.name, "")), fate="back")
        return {
            "cause": Cell(cause_name(row.name)),
            "procedure": Cell(titles.get(row.procedure, row.procedure)),
            **_figures(row, behind),
        }

    return Table(name, title, BY_CAUSE, tuple(cells(row) for row in found), ABOUT)


def _plain(
    name: str, title: str, found: Sequence[ComebackFigures], filters: Filters, names: Mapping[str, str]
) -> Table:
    heading = title.removeprefix("By ").removeprefix("how the cause was ").removeprefix("who made the ")
    columns = (Column("name", capital(heading)), SHARE, YOUNG, DAYS)

    def behind(row: ComebackFigures) -> str:
        if name == "comebacks-by-person":
            return jobs_behind(filters, mended=row.name, fate="back")
        if name == "comebacks-by-proof":
            return jobs_behind(filters, proof=row.name, fate="back")
        return jobs_behind(filters, procedure=row.name, fate="back")

    rows = tuple({"name": Cell(names.get(r.name) or capital(r.name)), **_figures(r, behind(r))} for r in found)
    return Table(name, title, columns, rows)


def _figures(row: ComebackFigures, behind: str) -> Row:
    return {
        "back": Cell(row.back, behind if row.back.part else "", "provisional" if row.provisional else ""),
        "young": Cell(row.young),
        "days": Cell(row.days),
    }


def _wrong(row: WrongParts, filters: Filters, numbers: Mapping[str, int]) -> Row:
    behind = jobs_behind(filters, cause=str(numbers.get(row.cause, "")), fate="wrong")
    return {
        "cause": Cell(cause_name(row.cause)),
        "wrong": Cell(row.wrong, behind),
        "parts": Cell("; ".join(row.parts[:4])),
    }


def _each(job: JobFact) -> Row:
    return {
        "job": Cell(job.number, one_job(job.number)),
        "again": Cell(job.closed_at),
        "cause": Cell(cause_name(job.claimed.cause) if job.claimed else ""),
        "proof": Cell(job.claimed.proof if job.claimed else ""),
        "days": Cell(job.days_until_back),
    }
