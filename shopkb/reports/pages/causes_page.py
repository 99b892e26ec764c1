"""Causes: the frequent ones, those found together, and those that no procedure leads to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from shopkb.catalog.models import System
from shopkb.catalog.platform_names import platform_name
from shopkb.core.flow.model import Flow
from shopkb.reports.figures.confirmed_causes import (
    By,
    CauseFigures,
    FoundTogether,
    UncoveredCause,
    found_together,
    pareto,
    uncovered,
)
from shopkb.reports.figures.facts_of_period import Facts
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.pages.page import Page, cause_name, jobs_behind, look_for, path_name, procedure_at
from shopkb.reports.pages.report_data import ReportData
from shopkb.reports.presenting import plots
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table

MOST_BARS = 15
HEADINGS = {By.CAUSE: "Cause", By.SYSTEM: "System", By.PLATFORM: "Vehicle"}
TOGETHER = (
    Column("cause", "When this was the cause"),
    Column("also", "this was found too"),
    Column("share", "in", ColumnKind.SHARE, of="jobs with that cause"),
)
UNCOVERED = (Column("cause", "Cause"), Column("jobs", "Jobs", ColumnKind.COUNT, "jobs"), Column("do", "What to do"))


def build(filters: Filters, now: datetime, by: By = By.CAUSE) -> Page:
    """Five queries; more when something is met for the first time."""
    data = ReportData(filters)
    facts, numbers = data.facts, data.cause_numbers
    known = identities(one.flow for one in data.everything.values())
    found = pareto(facts.jobs, by, filters.system)
    names = _names(found, by)
    bars = [plots.Bar(names[row.name], row.jobs, row.up_to_here) for row in found[:MOST_BARS]]
    return Page(
        "causes",
        "Causes",
        _intro(found, names),
        (
            frequent(data, by),
            Table(
                "found-together",
                "Found together",
                TOGETHER,
                tuple(_pair(row, filters, numbers, facts) for row in found_together(facts.jobs, filters.system)),
                f"What killed the part will kill the next one: look for these too. {facts.words}",
                "No job of this period says that two causes were found together.",
                latest=facts.latest,
            ),
            Table(
                "causes-without-procedure",
                "No procedure leads to these",
                UNCOVERED,
                tuple(_lacking(row, filters, numbers, facts) for row in uncovered(facts.jobs, known)),
                f"Proven causes that no procedure in force can end at. {facts.words}",
                "Procedures in force lead to every cause that was proven.",
                latest=facts.latest,
            ),
        ),
        {"causes": plots.pareto(bars, "Proven causes, most frequent first")},
    )


def frequent(data: ReportData, by: By = By.CAUSE, most: int | None = None) -> Table:
    """Proven causes, most frequent first; at most so many."""
    found = pareto(data.facts.jobs, by, data.filters.system)[:most]
    names = _names(found, by)
    columns = (
        Column("name", HEADINGS[by]),
        Column("jobs", "Jobs", ColumnKind.COUNT, "jobs"),
        Column("share", "Share", ColumnKind.SHARE, of="jobs with a proven cause"),
        Column("up_to_here", "Running total", ColumnKind.NUMBER, "%"),
    )
    title = "Proven causes" if by is By.CAUSE else f"Proven causes by {HEADINGS[by].lower()}"
    rows = tuple(_row(row, names[row.name], data.filters, by, data.cause_numbers, data.facts) for row in found)
    return Table("causes", title, columns, rows, data.facts.words, latest=data.facts.latest)


def identities(flows: Iterable[Flow]) -> frozenset[str]:
    """Causes that these flows can end at."""
    return frozenset(cause.identity for flow in flows for cause in flow.causes)


def _names(found: Iterable[CauseFigures], by: By) -> dict[str, str]:
    systems = dict(System.objects.order_by().values_list("path", "name")) if by is By.SYSTEM else {}
    return {row.name: _name(row.name, by, systems) for row in found}


def _name(name: str, by: By, systems: Mapping[str, str]) -> str:
    if by is By.CAUSE:
        return cause_name(name)
    return path_name(name, systems) if by is By.SYSTEM else platform_name(name)


def _intro(found: tuple[CauseFigures, ...], names: Mapping[str, str]) -> str:
    if not found:
        return "No cause was proven in this period."
    half = next(place for place, row in enumerate(found, 1) if row.up_to_here >= 0.5)
    first = names[found[0].name]
    return (
        f"{first} leads with {found[0].jobs} jobs; {half} of {len(found)} make up half of all {found[0].share.whole}."
    )


def _row(row: CauseFigures, name: str, filters: Filters, by: By, numbers: Mapping[str, int], facts: Facts) -> Row:
    behind = {By.CAUSE: {"cause": str(numbers.get(row.name, ""))}, By.SYSTEM: {"system": row.name}}.get(by, {})
    if filters.procedure:
        behind["procedure"] = filters.procedure
    if by is not By.SYSTEM and filters.system:
        behind["system"] = filters.system
    place = filters.but(platform=row.name) if by is By.PLATFORM else filters
    link = jobs_behind(place, fate="proven", after=facts.after, **behind)
    return {
        "name": Cell(name),
        "jobs": Cell(row.jobs, link),
        "share": Cell(row.share, link),
        "up_to_here": Cell(round(row.up_to_here * 100)),
    }


def _pair(row: FoundTogether, filters: Filters, numbers: Mapping[str, int], facts: Facts) -> Row:
    pair = {"cause": str(numbers.get(row.cause, "")), "also": str(numbers.get(row.also, ""))}
    behind = jobs_behind(filters, fate="proven", after=facts.after, procedure=filters.procedure, **pair)
    return {"cause": Cell(cause_name(row.cause)), "also": Cell(cause_name(row.also)), "share": Cell(row.share, behind)}


def _lacking(row: UncoveredCause, filters: Filters, numbers: Mapping[str, int], facts: Facts) -> Row:
    about = {"cause": str(numbers.get(row.cause, "")), "procedure": filters.procedure}
    behind = jobs_behind(filters, fate="proven", after=facts.after, **about)
    return {
        "cause": Cell(cause_name(row.cause)),
        "jobs": Cell(row.jobs, behind),
        "do": Cell(
            "Add a branch that ends there" if row.procedure else "See what is on the shelf, and ask for a procedure",
            procedure_at(row.procedure) if row.procedure else look_for(words=cause_name(row.cause)),
        ),
    }
