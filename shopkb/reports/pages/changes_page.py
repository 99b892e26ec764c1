"""The front page of the figures: what to change next, and the month in brief."""

from __future__ import annotations

from collections.abc import Mapping, Set
from datetime import datetime

from django.urls import reverse
from django.utils.formats import number_format

from shopkb.jobs.views.job_filters import DONE
from shopkb.reports.figures.comebacks import by_cause
from shopkb.reports.figures.confirmed_causes import uncovered
from shopkb.reports.figures.decisions import to_decide
from shopkb.reports.figures.facts_of_period import Facts
from shopkb.reports.figures.minutes import ProcedureFigures
from shopkb.reports.figures.period_figures import PeriodFigures
from shopkb.reports.figures.shares import Share
from shopkb.reports.figures.shelf_health import RECENT_MONTHS
from shopkb.reports.figures.suggestions import Suggestion, SuggestionKind, foremost, suggestions
from shopkb.reports.gathering.decision_rows import as_value, decisions_in_force
from shopkb.reports.gathering.filters import Filters, month_before
from shopkb.reports.gathering.procedure_tallies import InForce
from shopkb.reports.pages import tests_page
from shopkb.reports.pages.causes_page import identities
from shopkb.reports.pages.decisions_table import decide_at, in_hand, of_chosen, settled
from shopkb.reports.pages.page import Page, cause_name, jobs_behind, jobs_tallied, look_for, on_jobs, procedure_at
from shopkb.reports.pages.report_data import ReportData
from shopkb.reports.pages.shelf_page import gathered_drifts, gathered_unserved
from shopkb.reports.presenting.cells import rounded
from shopkb.reports.presenting.money import money_of_minutes
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table
from shopkb.web.humanize import minutes_text, percent

COLUMNS = (
    Column("what", "What the jobs say"),
    Column("do", "What to do"),
    Column("spent", "Went into it", ColumnKind.MINUTES, "min"),
    Column("minutes", "Could be saved", ColumnKind.MINUTES, "min"),
    Column("money", "At the shop's rate", ColumnKind.MONEY),
    Column("decide", "What becomes of it", only_on_page=True),
)
ABOUT = (
    "Ranked by the minutes that could be saved, or that went into it where that cannot be told. Of the steps, ends and "
    "cures listed here, one in ten is there by chance at most. Could be saved: what is above 1 in 20, with each rate "
    "drawn towards the others, as the highest of many is too high. Of one kind in one procedure only the worst is "
    "listed, three of one kind at most."
)
EMPTY = (
    "Nothing stands out in this period: no step, end or cause that chance alone would not explain. A longer period has "
    "more jobs, and shows smaller effects."
)
DO = {
    SuggestionKind.COSTLY_STEP: "See the procedure without it, and make that a draft",
    SuggestionKind.MISLEADING_END: "Add a measurement that proves the cause before it is named",
    SuggestionKind.LEFT_OUT: "Ask why, and give the step another way in",
    SuggestionKind.COMEBACK: "See what came back, and say in the procedure what else to look for",
    SuggestionKind.WEAK_PROOF: "Replace the ends by elimination with a measurement",
    SuggestionKind.NO_WAY_TO_CAUSE: "Add a branch that ends there",
    SuggestionKind.NO_PROCEDURE: "Ask a writer for a procedure",
    SuggestionKind.DRIFT: "Read the step again: vehicles or parts have changed",
}
OF_LATEST = (SuggestionKind.NO_WAY_TO_CAUSE, SuggestionKind.NO_PROCEDURE)
"""Counted over the latest jobs; all others come from tallies."""


def build(filters: Filters, now: datetime) -> Page:
    """Nine queries; more when something is met for the first time."""
    return of(ReportData(filters), now)


def of(data: ReportData, now: datetime) -> Page:
    filters, chosen, facts = data.filters, data.chosen, data.facts
    everything, decided = standing_out(data, now), of_chosen(decisions_in_force(), data)
    found = foremost(to_decide(everything, {one.subject: as_value(one) for one in decided}))
    rows = tuple(row(one, chosen, jobs_of(one, filters, data.cause_numbers, facts.after), filters) for one in found)
    said = {one.subject: sentence(one, chosen) for one in everything}
    tables = [Table("changes", "What to change next", COLUMNS, rows, ABOUT, EMPTY)]
    if decided:
        tables += [in_hand(decided, said), settled(decided, data)]
    brief = in_brief(facts, data.procedures, filters, chosen.keys(), now)
    return Page("changes", "Figures", facts.words, tuple(tables), facts=brief)


def standing_out(data: ReportData, now: datetime) -> tuple[Suggestion, ...]:
    """Everything that chance does not explain, the most pressing first, whatever was decided about it."""
    chosen, facts, evidence = data.chosen, data.facts, data.evidence
    return suggestions(
        tests_page.gathered(chosen, evidence, facts),
        data.procedures,
        by_cause(data.runs, facts.jobs, now),
        uncovered(facts.jobs, identities(one.flow for one in data.everything.values())),
        gathered_unserved(facts.jobs),
        gathered_drifts(chosen, evidence),
        sum(len(one.flow.branches) for one in chosen.values()),
    )


def in_brief(
    facts: Facts, procedures: tuple[ProcedureFigures, ...], filters: Filters, chosen: Set[str], now: datetime
) -> tuple[tuple[str, str, str], ...]:
    """The whole period in a few words and figures, each with the jobs behind it. A chosen system means the jobs that
    followed its procedures."""
    jobs = [job for job in facts.jobs if not filters.system or not chosen.isdisjoint(job.procedures)]
    told = PeriodFigures.of(jobs, now)
    on = on_jobs(told.wrong_jobs)
    quicker = [row for row in procedures if row.change and row.change.words == "quicker"]
    slower = [row for row in procedures if row.change and row.change.words == "slower"]

    def behind(**more: str) -> str:
        return "" if filters.system else jobs_behind(filters, procedure=filters.procedure, **more)

    closed = len(jobs) if filters.system else facts.in_period
    times = f"{reverse('reports:page', args=['minutes'])}?{filters.query()}"
    return (
        ("Jobs closed", number_format(closed, force_grouping=True), behind()),
        ("With a proven cause that held", share_words(told.proven), behind(fate="proven", after=facts.after)),
        ("Came back, of cures claimed", share_words(told.back), behind(fate="back", after=facts.after)),
        ("Repairs that did not cure or last", f"{share_words(told.wrong)}{on and ', '}{on}",
         behind(fate="wrong", after=facts.after)),
        ("Procedures quicker, slower than before", f"{len(quicker)}, {len(slower)} of {len(procedures)}", times),
    )  # fmt: skip


def share_words(share: Share) -> str:
    """``71 %, 58 to 82, 34 of 48``."""
    ends = share.interval()
    if share.plain is None or ends is None:
        return "none"
    counts = " of ".join(number_format(part, force_grouping=True) for part in (share.part, share.whole))
    if share.too_few:
        return f"{counts}, too few to say"
    return f"{percent(share.plain)}, {ends[0] * 100:.0f} to {ends[1] * 100:.0f}, {counts}"


def row(one: Suggestion, chosen: dict[str, InForce], behind: str, filters: Filters) -> Row:
    return {
        "what": Cell(sentence(one, chosen), behind),
        "do": Cell(DO[one.kind], where(one, chosen)),
        "spent": Cell(one.spent, behind),
        "minutes": Cell(one.saved),
        "money": Cell(None if one.saved is None else money_of_minutes(one.saved)),
        "decide": Cell("Decide", decide_at(one.subject, filters)),
    }


def jobs_of(one: Suggestion, filters: Filters, numbers: Mapping[str, int], after: str) -> str:
    """The jobs that a suggestion rests on."""
    cause, late = str(numbers.get(one.name, "")), month_before(filters.until, RECENT_MONTHS - 1)
    place = {"procedure": one.procedure}
    asked: dict[SuggestionKind, dict[str, str]] = {
        SuggestionKind.COSTLY_STEP: {**place, "step": one.step, "outcome": DONE},
        SuggestionKind.MISLEADING_END: {**place, "at": one.step, "fate": "wrong"},
        SuggestionKind.LEFT_OUT: {**place, "step": one.step, "outcome": "skip:"},
        SuggestionKind.COMEBACK: {**place, "cause": cause, "fate": "back"},
        SuggestionKind.WEAK_PROOF: {**place, "proof": "elimination", "fate": "proven"},
        SuggestionKind.NO_WAY_TO_CAUSE: {"cause": cause, "fate": "proven", "after": after},
        SuggestionKind.NO_PROCEDURE: {"symptom": one.name, "after": after},
        SuggestionKind.DRIFT: {**place, "step": one.step, "outcome": one.name, "fate": "proven", "judged": "1"},
    }
    counted = jobs_behind if one.kind in OF_LATEST else jobs_tallied
    return counted(filters.but(since=late) if one.kind is SuggestionKind.DRIFT else filters, **asked[one.kind])


def where(one: Suggestion, chosen: dict[str, InForce]) -> str:
    """Where it is done."""
    if one.kind is SuggestionKind.NO_WAY_TO_CAUSE and not one.procedure:
        return look_for(words=cause_name(one.name))
    if one.kind is SuggestionKind.NO_PROCEDURE:
        return look_for(symptom=one.name)
    if one.kind is SuggestionKind.COMEBACK:
        return reverse("reports:page", args=["comebacks"])
    if one.kind is SuggestionKind.COSTLY_STEP:
        number = chosen[one.procedure].revision.number
        return reverse("reports:without", args=[one.procedure, number, one.step])
    if one.step and one.procedure in chosen:
        return reverse("procedures:step", args=[one.procedure, chosen[one.procedure].revision.number, one.step])
    return procedure_at(one.procedure)


def sentence(one: Suggestion, chosen: dict[str, InForce]) -> str:
    """What the jobs say, with its figure."""
    of = f"{one.part} of {one.whole}"
    at = f"“{one.title}” in {one.procedure_title}"
    if one.kind is SuggestionKind.COSTLY_STEP:
        cost = f"costs {minutes_text(one.each)} and " if one.each else ""
        return f"{at} {cost}found nothing in {one.part} jobs. It tells {rounded(one.bits, 2)} bits."
    if one.kind is SuggestionKind.MISLEADING_END:
        return f"What {at} named was wrong in {of} repairs."
    if one.kind is SuggestionKind.LEFT_OUT:
        return f"{at} was left out {of} times."
    if one.kind is SuggestionKind.COMEBACK:
        return f"{cause_name(one.name)}: {of} cures came back ({one.procedure_title})."
    if one.kind is SuggestionKind.WEAK_PROOF:
        return f"{one.procedure_title}: {of} causes were proven by elimination only."
    if one.kind is SuggestionKind.NO_WAY_TO_CAUSE:
        after = f" Most had followed {one.procedure_title}." if one.procedure_title else ""
        return f"{cause_name(one.name)} was the proven cause of {one.part} jobs, and no procedure leads to it.{after}"
    if one.kind is SuggestionKind.NO_PROCEDURE:
        return f"{one.part} jobs came in with “{one.title}”, and no procedure is for it."
    step = chosen[one.procedure].flow.step_by_key[one.step]
    label = step.outcome(one.name).label
    return f"“{step.title}: {label}” in {one.procedure_title} misled {of} times of late, more than before."
