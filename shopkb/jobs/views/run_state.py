"""A run read once: where it stands, and the words for where it leads."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID, uuid4

from django.db.models import Prefetch
from django.http import HttpRequest
from django.shortcuts import get_object_or_404

from shopkb.accounts.models import User
from shopkb.core.flow.model import AskedValue, Flow, GoKind, Outcome, Step
from shopkb.core.flow.walk import Walk
from shopkb.jobs.effective_results import has_place, standing_results, walk_of
from shopkb.jobs.models import Job, LateValue, Result, Run
from shopkb.procedures.storing import flow_of


@dataclass(frozen=True)
class Place:
    """A run, read once: where it stands and everything recorded."""

    run: Run
    flow: Flow
    rows: list[Result]
    way: Walk

    @property
    def standing(self) -> list[Result]:
        """The results that count, in the order they were recorded."""
        return standing_results(self.flow, self.rows)

    def answers(self) -> list[tuple[Step, Result, str]]:
        """Each step that counts, its result, and the answer in words."""
        return [(self.flow.step_by_key[row.step], row, answer_words(self.flow, row)) for row in self.standing]


def place_of(pk: int) -> Place:
    """The run with this number. Queries: run with job and vehicle, results, and the flow the first time."""
    run = get_object_or_404(
        Run.objects.select_related(
            "job__vehicle__platform", "job__platform", "job__symptom", "revision__procedure", "holder"
        ),
        pk=pk,
    )
    flow = flow_of(run.revision)
    rows = list(run.results.counting().select_related("who"))
    return Place(run, flow, rows, walk_of(flow, rows))


def places_of(job: Job) -> list[Place]:
    """All runs of a job, in the order they were started. Three queries, and each flow the first time."""
    runs = job.runs.select_related("revision__procedure").order_by("pk")
    whole = runs.prefetch_related(Prefetch("results", Result.objects.counting().select_related("who")))
    places = []
    for run in whole:
        run.job = job
        flow, rows = flow_of(run.revision), list(run.results.all())
        places.append(Place(run, flow, rows, walk_of(flow, rows)))
    return places


@dataclass(frozen=True)
class Late:
    """An answer or a value that came too late to count. ``what`` was asked, ``answer`` in words (empty for a value)."""

    what: str
    answer: str
    typed: str
    unit: str
    why: str
    who: User
    at: datetime
    note: str = ""


def late_ones(job: Job) -> list[Late]:
    """What came too late to count on this job: answers, then values. Two queries."""
    linked = ("who", "run__revision__procedure")
    told = []
    for row in Result.objects.kept_aside().filter(run__job=job).select_related(*linked):
        flow = flow_of(row.run.revision)
        step = flow.step_by_key.get(row.step)
        title = step.title if step else row.step
        unit = row.unit if row.reading is not None else ""
        told.append(Late(title, answer_words(flow, row), row.typed, unit, row.judgement, row.who, row.at, row.note))
    for value in LateValue.objects.filter(run__job=job).select_related(*linked):
        told.append(late_value_words(flow_of(value.run.revision), value))
    return told


def late_value_words(flow: Flow, row: LateValue) -> Late:
    """A late value under its question; ``typed`` may name another unit than the one asked for."""
    return Late(question(flow, row.key), "", row.typed, "", row.why, row.who, row.at)


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
        return f"cause: {cause_words(flow, go.key)}"
    if go.kind is GoKind.HAND_OVER:
        return "goes on in another procedure"
    return "leaves this procedure"


def cause_words(flow: Flow, key: str) -> str:
    """``fan resistor: open circuit`` from the path of the component."""
    cause = flow.cause_by_key[key]
    return f"{cause.component.rpartition('/')[2].replace('-', ' ')}: {cause.mode}"


def answer_words(flow: Flow, row: Result) -> str:
    """The outcome's label, or why the step was left out; its key where a newer revision has no place for it."""
    if not row.outcome:
        return f"left out: {row.get_skipped_display()}"
    if not has_place(flow, row):
        return row.outcome
    return flow.step_by_key[row.step].outcome(row.outcome).label


def client_id_of(request: HttpRequest) -> UUID:
    """The id its browser gave this sending; a new one where none came along."""
    try:
        return UUID(request.POST.get("client_id", ""))
    except ValueError:
        return uuid4()
