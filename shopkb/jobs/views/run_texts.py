"""A run in words: its answers, and what came too late to count."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID, uuid4

from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.core.flow.checks.step_hazards import HAZARDS
from shopkb.core.flow.model import AskedValue, Flow, Step
from shopkb.jobs.judged import Judged
from shopkb.jobs.models import Job, LateValue, Result
from shopkb.jobs.run_results import has_place
from shopkb.jobs.run_state import RunState
from shopkb.procedures.storing import flow_of
from shopkb.procedures.templatetags.procedure_words import unit_sign


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


def answers_of(run_state: RunState) -> list[tuple[Step, Result, str]]:
    """Each step that counts, its result, and the answer in words."""
    flow = run_state.flow
    return [(flow.step_by_key[row.step], row, answer_text(flow, row)) for row in run_state.effective]


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


def reading_text(row: Judged) -> str:
    """The reading of an answer in the unit of its step, ``0.25 V``, whatever unit it was typed in; what was typed where
    there is no number; empty without a reading."""
    if row.reading is not None:
        return f"{row.figures} {unit_sign(row.unit)}".strip()
    return "over limit" if row.over_limit else row.typed


def risk_words(riskier: Mapping[str, frozenset[str]], outcome: str) -> str:
    """What the way on by this outcome brings that the step itself does not have; empty where it brings nothing."""
    more = riskier.get(outcome)
    return f'({", ".join(HAZARDS[hazard] for hazard in sorted(more))}; not after "not safe")' if more else ""
