"""A run read once: where it stands, and the words for where it leads."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID, uuid4

from django.db.models import Prefetch
from django.shortcuts import get_object_or_404

from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.core.flow.model import AskedValue, Flow, GoKind, Outcome, Step
from shopkb.core.flow.names import cause_name
from shopkb.core.flow.walk import Walk
from shopkb.jobs.models import Job, LateValue, Result, Run
from shopkb.jobs.run_results import effective_results, has_place, walk_of
from shopkb.procedures.storing import flow_of


@dataclass(frozen=True)
class RunState:
    """A run, read once: where it stands and everything recorded."""

    run: Run
    flow: Flow
    rows: list[Result]
    walk: Walk

    @property
    def effective(self) -> list[Result]:
        """The results that count, in the order they were recorded."""
        return effective_results(self.flow, self.rows)

    def answers(self) -> list[tuple[Step, Result, str]]:
        """Each step that counts, its result, and the answer in words."""
        return [(self.flow.step_by_key[row.step], row, answer_text(self.flow, row)) for row in self.effective]


def run_state_of(pk: int) -> RunState:
    """The run with this number. Queries: run with job and vehicle, results, and the flow the first time."""
    run = get_object_or_404(
        Run.objects.select_related(
            "job__vehicle__platform", "job__platform", "job__symptom", "revision__procedure", "holder"
        ),
        pk=pk,
    )
    flow = flow_of(run.revision)
    rows = list(run.results.not_retracted().select_related("who"))
    return RunState(run, flow, rows, walk_of(flow, rows))


def run_states_of(job: Job) -> list[RunState]:
    """All runs of a job, in the order they were started. Three queries, and each flow the first time."""
    runs = job.runs.select_related("revision__procedure").order_by("pk")
    whole = runs.prefetch_related(Prefetch("results", Result.objects.not_retracted().select_related("who")))
    run_states = []
    for run in whole:
        run.job = job
        flow, rows = flow_of(run.revision), list(run.results.all())
        run_states.append(RunState(run, flow, rows, walk_of(flow, rows)))
    return run_states


@dataclass(frozen=True)
class LateEntry:
    """An answer or a value that came too late to count. ``what`` was asked, ``answer`` in words (empty for a value)."""

    what: str
    answer: str
    typed: str
    unit: str
    why: str
    who: User
    at: datetime
    note: str = ""


def late_entries(job: Job) -> list[LateEntry]:
    """What came too late to count on this job: answers, then values. Two queries."""
    linked = ("who", "run__revision__procedure")
    entries = []
    for row in Result.objects.late().filter(run__job=job).select_related(*linked):
        flow = flow_of(row.run.revision)
        step = flow.step_by_key.get(row.step)
        title = step.title if step else row.step
        unit = row.unit if row.reading is not None else ""
        entries.append(
            LateEntry(title, answer_text(flow, row), row.typed, unit, row.judgement, row.who, row.at, row.note)
        )
    for value in LateValue.objects.filter(run__job=job).select_related(*linked):
        entries.append(late_value_entry(flow_of(value.run.revision), value))
    return entries


def late_value_entry(flow: Flow, row: LateValue) -> LateEntry:
    """A late value under its question; ``typed`` may name another unit than the one asked for."""
    return LateEntry(question(flow, row.key), "", row.typed, "", row.why, row.who, row.at)


def question(flow: Flow, key: str) -> str:
    """How a value is asked for; its key where a newer revision does not ask for it."""
    value = flow.value_by_key.get(key)
    return value.ask if isinstance(value, AskedValue) else key


def leads_to(flow: Flow, outcome: Outcome) -> str:
    """Where an outcome leads, in words."""
    go = outcome.go
    if go.kind is GoKind.STEP and go.key in flow.step_by_key:
        return f"next: {flow.step_by_key[go.key].title}"
    if go.kind is GoKind.CAUSE and go.key in flow.cause_by_key:
        return f"cause: {cause_text(flow, go.key)}"
    if go.kind is GoKind.HAND_OVER:
        return "goes on in another procedure"
    return "leaves this procedure"


def cause_text(flow: Flow, key: str) -> str:
    """``fan resistor: open circuit`` from the path of the component."""
    cause = flow.cause_by_key[key]
    return cause_name(cause.component, cause.mode)


def answer_text(flow: Flow, row: Result) -> str:
    """The outcome's label, or why the step was left out; its key where a newer revision has no place for it."""
    if not row.outcome:
        return f"left out: {row.get_skipped_display()}"
    if not has_place(flow, row):
        return row.outcome
    return flow.step_by_key[row.step].outcome(row.outcome).label


def client_id_of(request: SignedInRequest) -> UUID:
    """The id its browser gave this sending; a new one where none came along."""
    try:
        return UUID(request.POST.get("client_id", ""))
    except ValueError:
        return uuid4()
