"""The page of jobs that came back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from django.utils.text import capfirst

from shopkb.accounts.models import User
from shopkb.core.diagnosis.counting.tallies import Tallies
from shopkb.core.identifiers import is_within
from shopkb.jobs.job_facts import JobFact
from shopkb.reports.figures.comebacks import (
    PROVISIONAL,
    ComebackFigures,
    WrongParts,
    by_cause,
    by_person,
    by_procedure,
    by_proof,
    wrong_parts,
)
from shopkb.reports.figures.confirmed_causes import component_of
from shopkb.reports.figures.facts_of_period import Facts
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.pages.page import Page, cause_name, jobs_behind, jobs_tallied, one_job, procedure_at
from shopkb.reports.pages.report_data import ReportData
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table

SHARE = Column("back", "Came back", ColumnKind.SHARE, of="cures that were claimed")
YOUNG = Column("young", "Too young to judge", ColumnKind.COUNT, "cures under 60 days", latest=True)
DAYS = Column("days", "Days until then", ColumnKind.DAYS, "days, median", latest=True)
BY_CAUSE = (Column("cause", "Cause"), Column("procedure", "Procedure"), SHARE, YOUNG, DAYS)
WRONG = (
    Column("cause", "Blamed cause"),
    Column("wrong", "Did not cure or last", ColumnKind.SHARE, of="repairs that were judged"),
    Column("parts", "Parts fitted"),
)
EACH = (
    Column("job", "Job", ColumnKind.COUNT),
    Column("again", "Closed", ColumnKind.DATE),
    Column("cause", "Cause that was claimed"),
    Column("proof", "Proof"),
    Column("days", "Days until it came back", ColumnKind.DAYS, "days"),
)
ABOUT = (
    "Among the cures claimed in the period, those that came back. A cure under 60 days old may still do so: "
    "where there are such, the figure is provisional."
)


def build(filters: Filters, now: datetime) -> Page:
    """Six queries; more when something is met for the first time. A system means the causes in it, whatever procedure
    they were found by."""
    data, system = ReportData(filters.but(system="")), filters.system
    facts, jobs, tallies = data.facts, _claimed_in(data.facts.jobs, system), _tallies_in(data.runs, system)
    people = dict(User.objects.values_list("username", "called"))
    back = [job for job in jobs if job.back_at and job.claimed]
    young = _young(data, now)
    wrong = [row for row in wrong_parts(facts.jobs) if is_within(component_of(row.cause), system)]
    tables = (
        causes_back(data, now, system),
        _plain("comebacks-by-procedure", "By procedure", by_procedure(tallies, jobs, now), filters, data.titles, young,
               facts),
        _plain("comebacks-by-proof", "By how the cause was proven", by_proof(jobs, now), filters, {}, young,
               facts),
        _plain("comebacks-by-person", "By who made the repair", by_person(jobs, now), filters, people, young,
               facts),
        Table("wrong-parts", "Wrong parts fitted", WRONG,
              tuple(_wrong(row, filters, data.cause_numbers, facts) for row in wrong),
              facts.words, "No repair of this period is known to have been wrong.", latest=facts.latest),
        Table("each-comeback", "Each job that came back", EACH, tuple(_each(job) for job in back), facts.words,
              "No job of this period has come back.", latest=facts.latest),
    )  # fmt: skip
    return Page("comebacks", "What comes back", _intro(jobs, back), tables)


def causes_back(data: ReportData, now: datetime, system: str = "", most: int | None = None) -> Table:
    """By cause and procedure, the clearest first; at most so many."""
    found = by_cause(_tallies_in(data.runs, system), data.facts.jobs, now)[:most]
    return _table("comebacks", "By cause", found, data, _young(data, now))


def _claimed_in(jobs: Sequence[JobFact], system: str) -> Sequence[JobFact]:
    """Jobs that claimed a cause in this system; all, if none is asked for."""
    if not system:
        return jobs
    return [job for job in jobs if job.claimed and is_within(component_of(job.claimed.cause), system)]


def _tallies_in(tallies: Tallies, system: str) -> Tallies:
    return {key: sums for key, sums in tallies.items() if not system or is_within(component_of(key.cause), system)}


def _young(data: ReportData, now: datetime) -> str:
    """From when on a cure is too young to judge, among the jobs that were read."""
    return max(now - PROVISIONAL, data.facts.since or data.filters.begins).isoformat()


def _intro(jobs: Sequence[JobFact], back: Sequence[JobFact]) -> str:
    claimed = sum(job.claimed is not None for job in jobs)
    if not claimed:
        return "No cure was claimed in this period."
    return f"{len(back)} of {claimed} jobs that were closed as cured came back."


def _table(name: str, title: str, found: Sequence[ComebackFigures], data: ReportData, young: str) -> Table:
    titles = data.titles

    def cells(row: ComebackFigures) -> Row:
        about = {"procedure": row.procedure, "cause": str(data.cause_numbers.get(row.name, ""))}
        return {
            "cause": Cell(cause_name(row.name)),
            "procedure": Cell(titles.get(row.procedure, row.procedure), procedure_at(row.procedure)),
            **_figures(row, data.filters, about, young),
        }

    return Table(name, title, BY_CAUSE, tuple(cells(row) for row in found), ABOUT, latest=data.facts.latest)


def _plain(
    name: str,
    title: str,
    found: Sequence[ComebackFigures],
    filters: Filters,
    names: Mapping[str, str],
    young: str,
    facts: Facts,
) -> Table:
    heading = title.removeprefix("By ").removeprefix("how the cause was ").removeprefix("who made the ")
    about = {"comebacks-by-person": "mended", "comebacks-by-proof": "proof"}.get(name, "procedure")
    tallied = about == "procedure"
    columns = (Column("name", capfirst(heading)), replace(SHARE, latest=not tallied), YOUNG, DAYS)
    rows = tuple(
        {
            "name": Cell(names.get(row.name) or capfirst(row.name)),
            **_figures(row, filters, {about: row.name}, young, "" if tallied else facts.after),
        }
        for row in found
    )
    return Table(name, title, columns, rows, latest=facts.latest)


def _figures(row: ComebackFigures, filters: Filters, about: Mapping[str, str], young: str, after: str = "") -> Row:
    counted = jobs_tallied if "procedure" in about else jobs_behind
    about = {"procedure": filters.procedure, **about, "system": filters.system}
    behind = counted(filters, **about, fate="back", after=after) if row.back.part else ""
    return {
        "back": Cell(row.back, behind, "provisional" if row.provisional else ""),
        "young": Cell(row.young, jobs_behind(filters, **about, fate="proven", after=young) if row.young else ""),
        "days": Cell(row.days, behind),
    }


def _wrong(row: WrongParts, filters: Filters, numbers: Mapping[str, int], facts: Facts) -> Row:
    about = {"cause": str(numbers.get(row.cause, "")), "procedure": filters.procedure}
    behind = jobs_behind(filters, **about, fate="wrong", after=facts.after)
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
