"""Everything recorded on a job, for the next technician: each way on its chart, and the log as it was given."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Prefetch
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.charts.drawings import Drawing
from shopkb.charts.view import ChartOptions
from shopkb.jobs.models import DangerPassed, HandOver, Job, LateValue, PutBack, Result, Run, RunValue
from shopkb.jobs.run_state import RunState, state_of
from shopkb.jobs.views.carried_out import carried_out
from shopkb.jobs.views.run_texts import LateEntry, answer_text, late_value_entry, question
from shopkb.procedures.drawing import DrawnChart, draw_chart


@dataclass(frozen=True)
class LogLine:
    """One answer of the log, and whether it counts in the end."""

    title: str
    answer: str
    row: Result
    judged: str
    """How its reading was judged; that no meter was named stands with the reading."""
    state: str


@dataclass(frozen=True)
class RunSheet:
    """One run: its way on the chart and all that was recorded, in order."""

    run_state: RunState
    drawn: DrawnChart
    lines: list[LogLine]
    asked: list[tuple[str, RunValue]]
    """Values asked once: the question, and what was typed."""
    late: list[LateEntry]
    """Values that came too late to count."""


@require_safe
def technical(request: SignedInRequest, pk: int) -> HttpResponse:
    """The technical page of a job. Two queries for each chart, each flow the first time, and a constant number."""
    require(request.user, Right.READ)
    return render(request, "jobs/technical.html", technical_context(pk))


def technical_context(pk: int) -> dict[str, object]:
    """What the technical record of this job shows."""
    job = get_object_or_404(Job.objects.for_list().select_related("closed_by"), pk=pk)
    repairs = job.repairs.select_related("cause__component", "who", "result").prefetch_related(
        "verifications__who", "part_lines", "measured_again__who", "measured_again__meter"
    )
    sheets = [_sheet(run) for run in _runs(job)]
    states = [sheet.run_state for sheet in sheets]
    done = [carried_out(repair, states) for repair in repairs]
    return {"job": job, "sheets": sheets, "repairs": done, "section": "jobs"}


def _runs(job: Job) -> list[Run]:
    results = Result.objects.select_related("who", "meter", "retraction").order_by("pk")
    return list(
        job.runs.select_related("revision__procedure", "holder").order_by("pk").prefetch_related(
            Prefetch("results", results),
            Prefetch("values", RunValue.objects.select_related("who")),
            Prefetch("late_values", LateValue.objects.select_related("who")),
            Prefetch("dangers_passed", DangerPassed.objects.select_related("who")),
            Prefetch("hand_overs", HandOver.objects.select_related("giver", "receiver")),
            Prefetch("put_back", PutBack.objects.select_related("who")),
        )
    )  # fmt: skip


def _sheet(run: Run) -> RunSheet:
    rows = list(run.results.all())
    run_state = state_of(run)
    flow = run_state.flow
    effective = {row.pk for row in run_state.effective}
    lines = [
        LogLine(_title(run_state, row), answer_text(flow, row), row, _judged(row), _state(row, effective))
        for row in rows
    ]
    asked = [(question(flow, row.key), row) for row in run.values.all()]
    late = [late_value_entry(flow, row) for row in run.late_values.all()]
    chart = draw_chart(flow, ChartOptions(path=run_state.walk.path, now=run_state.walk.current), Drawing.TALL)
    return RunSheet(run_state, chart, lines, asked, late)


def _title(run_state: RunState, row: Result) -> str:
    step = run_state.flow.step_by_key.get(row.step)
    return step.title if step is not None else row.step


def _judged(row: Result) -> str:
    told, _remark, _rest = row.judgement.partition("; no meter was named, ")
    return told


def _state(row: Result, effective: set[int]) -> str:
    if row.pk in effective:
        return "off the written way" if row.off_path else "counts"
    if row.is_late:
        return "came too late"
    return "taken back" if hasattr(row, "retraction") else "answered again later"
