"""What each person did; for those who may see the shop's figures, and for each person their own."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.jobs.job_facts import JobFact
from shopkb.reports.figures.answers import by_person
from shopkb.reports.figures.facts_of_period import Facts
from shopkb.reports.figures.person_counts import PersonFigures, people_figures
from shopkb.reports.figures.shares import Share
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.job_rows import job_facts, once
from shopkb.reports.pages import tests_page
from shopkb.reports.pages.page import Page, cause_name, jobs_behind, on_jobs, one_job
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table, Value

COLUMNS = (
    Column("person", "Person"),
    Column("closed", "Jobs closed", ColumnKind.COUNT, "jobs"),
    Column("answers", "Answers recorded", ColumnKind.COUNT),
    Column("skipped", "Left out", ColumnKind.SHARE, of="answers"),
    Column("overrides", "Against the reading", ColumnKind.SHARE, of="answers"),
    Column("held", "Cures that held", ColumnKind.SHARE, of="cures claimed"),
    Column("wrong", "Repairs that did not cure or last", ColumnKind.SHARE, of="repairs that were judged"),
)
BACK = (
    Column("job", "Job", ColumnKind.COUNT),
    Column("closed", "Closed", ColumnKind.DATE),
    Column("cause", "Cause that was claimed"),
    Column("days", "Days until it came back", ColumnKind.DAYS, "days"),
)
ABOUT = (
    "Counts with 80 % intervals, in the order of log-ins. No order of merit: vehicles and faults differ between "
    "people, whoever takes the hard jobs shows more comebacks, and under 5 a share says nothing."
)

OWN_ABOUT = (
    "What you did on jobs that were closed in this time. The line beside a share says how far it may be off by chance "
    "alone; with fewer than 5 jobs it says nothing. Whoever takes the hard jobs has more of them come back."
)
OWN_STEPS = ("step", "procedure", "done", "found", "led_away", "left_out", "minutes")
"""Columns of the steps that one person sees of their own: what they did, found and how long it took."""
OWN_STEPS_ABOUT = (
    "The tests you did, those that found faults first. Found the fault: your answer led straight to the cause that was "
    "proven. Led away: what your answer named was repaired, and the complaint stayed or came back."
)


def build(filters: Filters, now: datetime) -> Page:
    """Three queries; more when something is met for the first time."""
    everyone = filters.but(person="")
    facts = job_facts(everyone)
    names = dict(User.objects.values_list("username", "called"))
    rows = tuple(_row(row, filters, names, facts) for row in people_figures(facts.jobs, once(by_person, facts.jobs)))
    table = Table("people", "People", COLUMNS, rows, f"{ABOUT} {facts.words}", latest=facts.latest)
    return Page("people", "People", "What each person did, to talk it over with them.", (table,))


def own(filters: Filters, now: datetime) -> Page:
    """The page of ``filters.person``. Nine queries; more when something is met for the first time."""
    everyone = filters.but(person="")
    facts = job_facts(everyone)
    names = dict(User.objects.values_list("username", "called"))
    mine = tuple(r for r in people_figures(facts.jobs, once(by_person, facts.jobs)) if r.who == filters.person)
    rows = tuple(_row(row, filters, names, facts) for row in mine)
    steps = tests_page.build(filters, now).tables[0]
    back = [job for job in facts.jobs if job.back_at and job.claimed and job.claimed.who == filters.person]
    return Page(
        "own",
        names.get(filters.person) or filters.person,
        "What your closed jobs say. You and those who may see the shop's figures can see this page.",
        (
            Table("own", "In all", COLUMNS, rows, f"{OWN_ABOUT} {facts.words}", latest=facts.latest),
            Table(
                "own-comebacks", "Repairs that came back", BACK, tuple(_back(job) for job in back),
                facts.words, "No job repaired in this period has come back.", latest=facts.latest,
            ),
            replace(
                steps, name="own-steps", title="Tests you did", about=f"{OWN_STEPS_ABOUT} {facts.words}",
                columns=tuple(column for column in steps.columns if column.key in OWN_STEPS),
                rows=tuple(row for row in steps.rows if row["done"].value or _part(row["left_out"].value)),
            ),
        ),
    )  # fmt: skip


def _part(value: Value) -> int:
    return value.part if isinstance(value, Share) else 0


def _row(row: PersonFigures, filters: Filters, names: dict[str, str], facts: Facts) -> Row:
    def behind(**about: str) -> str:
        return jobs_behind(filters, procedure=filters.procedure, after=facts.after, **about)

    query = filters.but(person="").query()
    answered, skipped, against = row.jobs
    wrong = behind(mended=row.who, fate="wrong")
    return {
        "person": Cell(names.get(row.who) or row.who, f"{reverse('reports:person', args=[row.who])}?{query}"),
        "closed": Cell(row.closed, behind(closer=row.who)),
        "answers": Cell(row.answers, behind(who=row.who), on_jobs(answered)),
        "skipped": Cell(row.skipped, behind(who=row.who, departed="skipped"), on_jobs(skipped)),
        "overrides": Cell(row.overrides, behind(who=row.who, departed="override"), on_jobs(against)),
        "held": Cell(row.held, behind(mended=row.who, fate="proven")),
        "wrong": Cell(row.wrong, wrong if row.wrong.part else "", on_jobs(row.wrong_jobs)),
    }


def _back(job: JobFact) -> Row:
    return {
        "job": Cell(job.number, one_job(job.number)),
        "closed": Cell(job.closed_at),
        "cause": Cell(cause_name(job.claimed.cause) if job.claimed else ""),
        "days": Cell(job.days_until_back),
    }
