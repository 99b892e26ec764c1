"""A step as one screen: its cautions, what is to be done, the answers, and what surrounds it."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from shopkb.accounts.requests import SignedInRequest
from shopkb.catalog.models import Caution, Meter
from shopkb.core.diagnosis.advice.next_action import RepairOption, TestOption
from shopkb.core.flow.model import GoKind, Step
from shopkb.core.flow.paths import steps_left
from shopkb.core.readings.units import QUANTITIES, UNITS
from shopkb.jobs import answering
from shopkb.jobs.actions import following
from shopkb.jobs.answering import Answer
from shopkb.jobs.dangers import LONG_BREAK, as_shown, cautions_in_force, danger_due, shown_before
from shopkb.jobs.models import Run
from shopkb.jobs.reasoning import Reasoning, reason
from shopkb.jobs.run_state import RunState
from shopkb.jobs.shown_words import stamp
from shopkb.jobs.vehicle_state import off_in
from shopkb.jobs.views.going_on import after_repair
from shopkb.jobs.views.outbox import pack_urls
from shopkb.jobs.views.run_texts import answer_text, answers_of
from shopkb.jobs.views.typed_reading import (
    METER,
    answer_buttons,
    circuit_readings,
    expectations,
    judge_typed,
    place_told,
    verdict_text,
)
from shopkb.jobs.views.undo import UNDO_SECONDS, undo_offer
from shopkb.procedures.models import Revision
from shopkb.web.humanize import minutes_text


@dataclass(frozen=True)
class Entered:
    """What was typed or answered and is not stored yet, and the words why it was refused."""

    typed: str = ""
    unit: str = ""
    answer: Answer | None = None
    refused: str = ""

    @property
    def outcome(self) -> str:
        return self.answer.outcome if self.answer else ""


def render_step(
    request: SignedInRequest,
    run_state: RunState,
    step: Step,
    *,
    refused: str = "",
    sent: Answer | None = None,
    refused_value: str = "",
    status: int = 200,
) -> HttpResponse:
    """The step's page; ``sent`` and ``refused`` show an answer that was not stored, with everything typed.

    ``refused_value``: key of the asked value that was not stored; what was typed stands in the posted form.
    """
    now = timezone.now()
    works = run_state.run.holder_id == request.user.pk and run_state.run.job.is_open
    done = {row.step for row in run_state.effective if not row.skipped}
    cautions, still = cautions_in_force(run_state.flow, step, done)
    danger = danger_due(run_state.run, run_state.flow, step, cautions, by=request.user, at=now) if works else None
    if danger is not None:
        return _danger_page(request, run_state, step, danger, now)
    if sent is not None:
        entered = Entered(sent.typed, sent.unit, sent, refused)
    else:
        entered = Entered(request.GET.get("typed", "")[:60], request.GET.get("unit", ""), refused=refused)
    before = shown_before(run_state.flow, step, cautions, run_state.effective, by=request.user, at=now)
    context = {
        **_frame(request, run_state, step, now),
        "cautions": as_shown(cautions, still, before),
        "words_shown": stamp([*cautions, *still]),
        **(measured := _measured(request, run_state, step, entered)),
        **(reasoned := _reasoned(run_state, step, now)),
        **_circuit(run_state, step, measured, reasoned),
        "pack": pack_urls(run_state) if works else [],
        "refused_value": refused_value,
        "typed_value": request.POST.get("typed", "")[:60],
    }
    return render(request, "jobs/step.html", context, status=status)


def _frame(request: SignedInRequest, run_state: RunState, step: Step, now: datetime) -> dict[str, object]:
    """The step itself and its place in the run."""
    run = run_state.run
    undo = undo_offer(run_state, request.user, now) if step.key == run_state.walk.current else None
    off_path = step.key != run_state.walk.current and step.key not in {key for key, _route in run_state.walk.path}
    return {
        "run": run,
        "job": run.job,
        "flow": run_state.flow,
        "step": step,
        "number": run_state.flow.number_by_step[step.key],
        "rail": _rail(run_state, step, off_path=off_path),
        "previous": _previous(run_state, step),
        "off_path": off_path,
        "needed_first": following.needed_first(run_state.flow, step, run_state.effective) if off_path else [],
        "held": run.holder_id == request.user.pk,
        "resume": _resume(run_state, request, now),
        "undo": undo,
        "undo_words": answer_text(run_state.flow, undo) if undo else "",
        "undo_seconds": UNDO_SECONDS,
        "newer": _newer(run),
    }


def _measured(request: SignedInRequest, run_state: RunState, step: Step, entered: Entered) -> dict[str, object]:
    """What is asked or measured, how the reading is judged, and the answers."""
    values = answering.values_for(run_state.run, run_state.flow, step)
    meters = list(Meter.objects.all()) if step.reading else []
    meter = entered.answer.meter if entered.answer else _chosen(request, meters)
    reading = judge_typed(step, entered.typed, entered.unit, values, meter)
    judgement, line = reading.judgement, reading.line
    proposed = judgement.outcome if judgement else ""
    earlier = next((row for row in run_state.effective if row.step == step.key), None)
    return {
        "asked": answering.values_missing(run_state.flow, step, values),
        "units": [UNITS[name] for name in QUANTITIES[step.reading.quantity]] if step.reading else [],
        "meter": meter,
        "meters": meters,
        "typed": entered.typed,
        "unit": entered.unit or (step.reading.unit if step.reading else ""),
        "judgement": judgement,
        "shown": reading.shown,
        "expectations": expectations(run_state.flow, step, values),
        "verdict": verdict_text(step, judgement),
        "line": line,
        "at": reading.at,
        "run_values": values,
        "unreadable": reading.unreadable,
        "refused": entered.refused,
        "given": entered.answer,
        "override": bool(entered.outcome and proposed != entered.outcome),
        "chosen": next((row.label for row in step.outcomes if row.key == entered.outcome), ""),
        "buttons": answer_buttons(run_state.flow, step, proposed, line),
        "earlier": earlier,
        "earlier_words": answer_text(run_state.flow, earlier) if earlier else "",
        "client_id": entered.answer.client_id if entered.answer and not entered.refused else uuid.uuid4(),
        "ways": [f"{row.key}>{row.go.key if row.go.kind is GoKind.STEP else ''}" for row in step.outcomes],
    }


def _circuit(
    run_state: RunState, step: Step, measured: Mapping[str, object], reasoned: Mapping[str, object]
) -> dict[str, object]:
    """What would be read in the circuit: before the reading, and which of it a reading fits."""
    reasoning = reasoned["reasoning"]
    chances = reasoning.probability_by_cause(run_state.flow) if isinstance(reasoning, Reasoning) else {}
    values, at = measured["run_values"], measured["at"]
    if not isinstance(values, dict):
        return {}
    told = circuit_readings(run_state.flow, step, values, at if isinstance(at, float) else None, chances)
    if not isinstance(reasoning, Reasoning) or measured["typed"] or step.key != run_state.walk.current:
        return told
    done = [row.step for row in run_state.effective if not row.skipped]
    bits = max((option.bits for option in reasoning.advice.tests), default=0.0)
    return {**told, "elsewhere": place_told(run_state.flow, step, chances, done, bits)}


def _chosen(request: SignedInRequest, meters: list[Meter]) -> Meter | None:
    """The meter chosen for the day."""
    return next((row for row in meters if row.key == request.session.get(METER)), None)


def _reasoned(run_state: RunState, step: Step, now: datetime) -> dict[str, object]:
    """What the tool says of its own accord."""
    job = run_state.run.job
    reasoning = reason(job, run_state.of_job, at=now)
    repaired = after_repair(job, reasoning.last_repair, [each.run for each in run_state.of_job]) if reasoning else None
    if repaired is not None and repaired.cured:
        reasoning = None
    chance = reasoning.chosen_by_chance(run_state) if reasoning is not None else None
    return {
        "reasoning": reasoning,
        "go_on": repaired,
        "better": _better(run_state, step, reasoning) or _as_quick(run_state, step, chance),
        "by_chance": chance is not None and chance.step == step.key,
    }


def _danger_page(
    request: SignedInRequest, run_state: RunState, step: Step, danger: Caution, now: datetime
) -> HttpResponse:
    """A DANGER as a full screen of its own, which asks for the state of things."""
    context = {
        "run": run_state.run,
        "job": run_state.run.job,
        "step": step,
        "danger": danger,
        "words_shown": stamp([danger]),
        "shown_at": f"{now.timestamp():.0f}",
        "pack": pack_urls(run_state),
        "client_id": uuid.uuid4(),
        "previous": _previous(run_state, step),
    }
    return render(request, "jobs/danger.html", context)


def _resume(run_state: RunState, request: SignedInRequest, now: datetime) -> dict[str, object] | None:
    """The card for somebody who comes back after a break, or takes up what another began."""
    last = run_state.rows[-1] if run_state.rows else None
    if last is None or (now - last.at < LONG_BREAK and last.who_id == request.user.pk):
        return None
    off = off_in(run_state.run, run_state.flow, list(run_state.run.results.all()), run_state.run.put_back.all())
    return {
        "answers": answers_of(run_state)[-2:],
        "away": minutes_text((now - last.at).total_seconds() / 60),
        "by": last.who if last.who_id != request.user.pk else None,
        "off": [each.part for each in off],
    }


def _rail(run_state: RunState, step: Step, *, off_path: bool) -> dict[str, object]:
    """The way so far. The step has the number that answers, charts and titles call it by; how many are done stands
    beside it."""
    done = {row.step: row for row in run_state.effective}
    marks = ["skipped" if done[key].skipped else "done" for key, _route in run_state.walk.path if key in done]
    here = next((index for index, (key, _route) in enumerate(run_state.walk.path) if key == step.key), len(marks))
    more = max(0, steps_left(run_state.flow, step.key) - 1)
    if here < len(marks):
        marks[here] = "now"
    else:
        marks.append("now")
        marks += ["ahead"] * more
    minutes = sum(row.seconds or 0 for row in run_state.effective) // 60
    number = run_state.flow.number_by_step[step.key]
    if off_path:
        ahead = "out of order"
    elif more:
        ahead = f"at most {more} more"
    else:
        ahead = "the last" if here else "the only one"
    took = f" in {minutes} min" if minutes else ""
    so_far = f": {here} done{took}" if here else ""
    return {"marks": marks, "words": f"step {number}{so_far}, {ahead}"}


def _previous(run_state: RunState, step: Step) -> str:
    path = [key for key, _route in run_state.walk.path]
    if step.key in path:
        index = path.index(step.key)
        return path[index - 1] if index else ""
    return path[-1] if path else ""


def _better(run_state: RunState, step: Step, reasoning: Reasoning | None) -> dict[str, object] | None:
    """What surely cures the vehicle sooner than the written next step: a test of this procedure, or a repair."""
    if reasoning is None or step.key != run_state.walk.current:
        return None
    proposal = reasoning.proposal(run_state.flow.procedure, step.key)
    if proposal is None:
        return None
    sooner = f"about {minutes_text(proposal.saves)} sooner than by the next step as written, {_often(proposal.chance)}"
    test = proposal.action
    if isinstance(test, RepairOption):
        return {"words": f"{reasoning.advice.words} The vehicle is cured {sooner}."}
    if test.procedure != run_state.flow.procedure:
        return None
    return {
        "heading": "Quicker to the cure",
        "step": test.step,
        "title": test.title,
        "words": f"It takes {minutes_text(test.minutes + test.setup)}; the vehicle is cured {sooner}.",
        "number": run_state.flow.number_by_step[test.step],
    }


def _as_quick(run_state: RunState, step: Step, chance: TestOption | None) -> dict[str, object] | None:
    """A near equal of the written next step that chance has chosen."""
    if chance is None or step.key != run_state.walk.current:
        return None
    return {
        "heading": "Chosen by chance",
        "step": chance.step,
        "title": chance.title,
        "words": "It is about as quick to the cure as this step; the tool picks such a step now and then, by chance, "
        "so that no test stays untried.",
        "number": run_state.flow.number_by_step[chance.step],
    }


def _often(chance: float) -> str:
    """A chance of 0.9 or more."""
    return "nearly always" if chance >= 0.975 else "9 times in 10"


def _newer(run: Run) -> Revision | None:
    if run.revision.state == Revision.State.PUBLISHED:
        return None
    return run.revision.procedure.revisions.filter(state=Revision.State.PUBLISHED).first()
