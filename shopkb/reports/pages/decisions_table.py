"""What was decided about suggestions, and what became of them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode

from shopkb.reports.figures.decisions import IN_HAND, SETTLED, Decided
from shopkb.reports.figures.suggestions import Subject
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.procedure_tallies import came_into_force
from shopkb.reports.models import SuggestionDecision
from shopkb.reports.pages.new_revisions_table import RevisionComparison, side_by_side
from shopkb.reports.pages.report_data import ReportData
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table
from shopkb.web.humanize import minutes_text
from shopkb.web.months import first_moment

SETTLED_SHOWN = 20
SURE = 0.8
"""Probability from which a change is told as one. Our choice."""
FIRST_MONTH = "1970-01"
"""No revision came into force earlier."""

IN_HAND_COLUMNS = (
    Column("what", "What the jobs said"),
    Column("decided", "What becomes of it"),
    Column("since", "Since", ColumnKind.DATE),
    Column("now", "What they say now"),
    Column("do", "Decide", only_on_page=True),
)
SETTLED_COLUMNS = (
    Column("what", "What the jobs said"),
    Column("decided", "What became of it"),
    Column("since", "Since", ColumnKind.DATE),
    Column("brought", "What it brought"),
    Column("do", "Decide", only_on_page=True),
)
ABOUT_SETTLED = (
    "A new revision is measured against the one before it by the jobs that followed each, within a year. What was put "
    "aside comes back by itself once jobs say clearly more than on that day."
)
NO_LONGER = "It no longer stands out."


def decide_at(subject: Subject, filters: Filters | None = None) -> str:
    """Address of the page on which a suggestion is decided, for the period of these filters."""
    period = f"?{urlencode({'since': filters.since, 'until': filters.until})}" if filters else ""
    return f"{reverse('reports:decide', args=[subject.address])}{period}"


def of_chosen(rows: Iterable[SuggestionDecision], data: ReportData) -> list[SuggestionDecision]:
    """Those about the procedures that the filters let through; without such a filter all."""
    filters = data.filters
    narrowed = filters.procedure or filters.system or filters.symptom
    return [one for one in rows if not narrowed or one.procedure in data.chosen]


def in_hand(rows: Iterable[SuggestionDecision], now: Mapping[Subject, str]) -> Table:
    """Given to somebody, or watched. ``now`` are the sentences of what stands out today."""
    found = tuple({**_row(one), "now": Cell(now.get(one.subject, NO_LONGER))} for one in rows if one.decided in IN_HAND)
    return Table("in-hand", "In hand", IN_HAND_COLUMNS, found, empty="No suggestion is in anybody's hands.")


def settled(rows: Iterable[SuggestionDecision], data: ReportData) -> Table:
    """Done, with what it brought, or put aside: the latest. One query where something was done in a revision, and the
    jobs of two years of each, where those are not kept."""
    latest = [one for one in rows if one.decided in SETTLED][:SETTLED_SHOWN]
    brought = what_it_brought(latest, data)
    found = tuple({**_row(one), "brought": _brought(one, brought.get(one.pk))} for one in latest)
    return Table("settled", "Done or put aside", SETTLED_COLUMNS, found, ABOUT_SETTLED, "Nothing was settled yet.")


def what_it_brought(rows: Sequence[SuggestionDecision], data: ReportData) -> dict[int, RevisionComparison]:
    """By row: the revision that it was done in beside the one before, as long as that revision is in force."""
    keys = {one.procedure for one in rows if one.revision is not None} & set(data.chosen)
    if not keys:
        return {}
    newest = came_into_force(sorted(keys), first_moment(FIRST_MONTH), timezone.now())
    revisions = {(one.procedure, one.number): one for one in newest}
    asked = {one.pk: revisions.get((one.procedure, one.revision or 0)) for one in rows}
    return {pk: side_by_side([one], data)[0] for pk, one in asked.items() if one is not None}


def decision_words(one: SuggestionDecision) -> str:
    """``Given to Barnaby Mudflat by Ottoline Marsh: see to it before winter``."""
    what = {
        Decided.GIVEN: f"Given to {one.person}",
        Decided.WATCHED: "Watched",
        Decided.DONE: f"Done in revision {one.revision}" if one.revision else "Done",
        Decided.DISMISSED: "Put aside",
        Decided.TAKEN_UP: "Taken up again",
    }[Decided(one.decided)]
    return f"{what} by {one.by}{': ' if one.words else ''}{one.words}"


def brought_words(one: RevisionComparison) -> str:
    """``4 min quicker to a proven cause (31 jobs, 80 % sure)``, or that it is too early to say, or not clear."""
    moved, minutes = one.moved, one.since.minutes
    if moved is None or minutes is None:
        return f"Too early to say: {_jobs(one.since.jobs)} since."
    if moved.sure < SURE:
        return f"No clear change in minutes to a proven cause ({_jobs(minutes.n)})."
    way = "quicker" if moved.minutes < 0 else "slower"
    sure = min(99, math.floor(moved.sure * 100))
    return f"{minutes_text(abs(moved.minutes))} {way} to a proven cause ({_jobs(minutes.n)}, {sure} % sure)."


def _jobs(count: int) -> str:
    return f"{count} job{'' if count == 1 else 's'}"


def _row(one: SuggestionDecision) -> Row:
    return {
        "what": Cell(one.said),
        "decided": Cell(decision_words(one)),
        "since": Cell(one.at),
        "do": Cell("Change", decide_at(one.subject)),
    }


def _brought(one: SuggestionDecision, found: RevisionComparison | None) -> Cell:
    if found is not None:
        link = f"{reverse('reports:page', args=['minutes'])}?{found.years[0].but(since=found.years[1].since).query()}"
        return Cell(brought_words(found), f"{link}#new-revisions")
    if one.revision is not None:
        return Cell("Another revision has taken its place since, or the procedure is no longer in force.")
    return Cell(None if one.decided == Decided.DISMISSED else "No revision was named, so nothing is measured.")
