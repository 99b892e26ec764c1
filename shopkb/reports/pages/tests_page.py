"""The page of the tests of all procedures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from django.urls import reverse

from shopkb.core.diagnosis.counting.tallies import Tallies
from shopkb.evidence.cache import Cache
from shopkb.evidence.learned_procedure import strengths_in_force
from shopkb.jobs.models import Result
from shopkb.jobs.views.job_filters import DONE
from shopkb.reports.figures.answers import tallies_of_person, typical_minutes
from shopkb.reports.figures.facts_of_period import Facts
from shopkb.reports.figures.step_figures import StepFigures, step_figures
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.job_rows import once
from shopkb.reports.gathering.procedure_tallies import Evidence, InForce
from shopkb.reports.pages.page import Page, jobs_behind, jobs_tallied
from shopkb.reports.pages.report_data import ReportData
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table

COLUMNS = (
    Column("step", "Step"),
    Column("procedure", "Procedure", only_in_file=True),
    Column("done", "Times done", ColumnKind.COUNT, "jobs"),
    Column("found", "Found the fault", ColumnKind.SHARE, of="jobs with a proven cause"),
    Column("led_away", "Led away from it", ColumnKind.SHARE, of="ends that were put to the proof"),
    Column("left_out", "Left out", ColumnKind.SHARE, of="times it was due"),
    Column("minutes", "Minutes", ColumnKind.SPREAD, "min", latest=True),
    Column("a_fault", "Minutes for each fault found", ColumnKind.MINUTES, "min"),
    Column("bits", "Information gained", ColumnKind.NUMBER, "bits"),
    Column("bits_a_minute", "Information per minute", ColumnKind.NUMBER, "bits/min"),
    Column("onward", "Branches held", ColumnKind.SHARE, of="jobs with a proven cause"),
)
ABOUT = (
    "Found: the answer led straight to the proven cause. Led away: what it named was repaired without a lasting cure. "
    "Information gained: as if the step came first. Branches held: the proven cause still lay behind the branch "
    "taken. Found and branches held are of jobs that came to the step on the written way; a test done early says "
    "nothing of its place. Intervals are "
    "80 %; rows are ranked by their lower end, and under 5 jobs they say too few."
)


def build(filters: Filters, now: datetime) -> Page:
    """Five queries; more when something is met for the first time."""
    data = ReportData(filters)
    steps = gathered(data.chosen, data.evidence, data.facts)
    table = Table(
        "tests", "Steps", COLUMNS, tuple(row(step, data) for step in steps), _about(data), latest=data.facts.latest
    )
    return Page("tests", "Which tests find faults", _intro(steps), (table.sorted("found"),))


def _about(data: ReportData) -> str:
    """What one person did is not in the tallies."""
    return f"{ABOUT} {data.facts.words}" if data.filters.person else ABOUT


_steps: Cache[tuple[StepFigures, ...]] = Cache(256)


def gathered(chosen: Mapping[str, InForce], evidence: Evidence, facts: Facts) -> tuple[StepFigures, ...]:
    """Figures of the steps of these procedures. Two queries at most."""
    filters = evidence.filters
    related = None
    found: Mapping[str, Tallies]
    if filters.person:
        found = tallies_of_person(facts.jobs, filters.person)
    else:
        found = evidence.steps()
        related = evidence.related() if filters.platform else None
    minutes = once(typical_minutes, facts.jobs, filters.person)
    fitted = strengths_in_force()

    def of(published: InForce) -> tuple[StepFigures, ...]:
        key = published.procedure.key
        mine, theirs = found.get(key, {}), None if related is None else related.get(key, {})

        def make() -> tuple[StepFigures, ...]:
            return step_figures(
                published.flow,
                mine,
                related=theirs,
                platform=filters.platform,
                strengths=fitted.causes,
                weights=fitted.branches,
            )

        name = (key, filters.since, filters.until, filters.platform, filters.person)
        return _steps.of(name, (published.revision.checksum, mine, theirs, fitted), make)

    return tuple(
        replace(step, typical=minutes.get((step.procedure, step.step)))
        for published in chosen.values()
        for step in of(published)
    )


def row(step: StepFigures, data: ReportData) -> Row:
    filters, chosen, after = data.filters, data.chosen, data.facts.after

    def behind(**more: str) -> str:
        if filters.person:
            return jobs_behind(filters, procedure=step.procedure, who=filters.person, **more)
        counted = jobs_behind if "timed" in more else jobs_tallied
        return counted(filters, procedure=step.procedure, **more)

    done, proven = (behind(step=step.step, outcome=DONE, fate=fate) for fate in ("", "proven"))
    revision = chosen[step.procedure].revision
    at = reverse("procedures:step", args=[step.procedure, revision.number, step.step])
    return {
        "step": Cell(step.title, at, f"step {step.number}, {step.procedure_title}"),
        "procedure": Cell(step.procedure_title),
        "done": Cell(step.done, done),
        "found": Cell(
            step.finds, behind(at=step.step, step=step.step, way="1", fate="proven") if step.found_on_way else ""
        ),
        "led_away": Cell(step.misleads, behind(at=step.step, fate="wrong") if step.led_away else ""),
        "left_out": Cell(step.left_out, behind(step=step.step, outcome="skip:") if step.skipped else "", _why(step)),
        "minutes": Cell(step.typical, behind(step=step.step, outcome=DONE, timed="1", after=after)),
        "a_fault": Cell(step.minutes_a_fault if step.found else None, behind(at=step.step, fate="proven")),
        "bits": Cell(step.bits, proven),
        "bits_a_minute": Cell(step.bits_a_minute),
        "onward": Cell(step.onward, behind(step=step.step, outcome=DONE, fate="proven", judged="1")),
    }


def _why(step: StepFigures) -> str:
    reasons = dict(Result.Skip.choices)
    return ", ".join(f"{reasons.get(key, key)} {number}" for key, number in step.skipped.items() if number)


def _intro(steps: Sequence[StepFigures]) -> str:
    spent = sum(step.minutes_in_all or 0.0 for step in steps)
    found = sum(step.found for step in steps)
    if not steps or not spent:
        return "No closed job has followed these procedures in this period."
    silent = [step for step in steps if step.names_a_cause and step.done >= 20 and not step.found]
    words = f"{found} faults found in {spent / 60:.0f} hours of testing"
    if silent:
        count = f"{len(silent)} step{'s' if len(silent) > 1 else ''}"
        words += f"; {count} that could name a cause did so rightly in none of 20 or more jobs"
    return f"{words}."
