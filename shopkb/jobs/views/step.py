"""A step as one screen: its cautions, what is to be done, the answers, and what surrounds it."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from shopkb.catalog.models import Caution, Meter
from shopkb.core.diagnosis.advice.next_action import LEAST_SAVED
from shopkb.core.flow.model import GoKind, Step
from shopkb.core.flow.paths import steps_left
from shopkb.core.readings.units import QUANTITIES, UNITS
from shopkb.jobs import answering
from shopkb.jobs.answering import Answer
from shopkb.jobs.dangers import LONG_BREAK, danger_due
from shopkb.jobs.models import Run
from shopkb.jobs.reasoning import Reasoning, reason_about
from shopkb.jobs.vehicle_state import off_in
from shopkb.jobs.views.outbox import pack_urls
from shopkb.jobs.views.run_state import Place, answer_words
from shopkb.jobs.views.typed_reading import (
    answer_buttons,
    as_shown,
    chosen_meter,
    expectations,
    judge_typed,
    verdict_words,
)
from shopkb.jobs.views.undo import UNDO_SECONDS, undo_offer
from shopkb.procedures.models import Revision
from shopkb.web.humanize import minutes_words


@dataclass(frozen=True)
class Given:
    """What was typed or answered and is not stored yet, and the words why it was refused."""

    typed: str = ""
    unit: str = ""
    answer: Answer | None = None
    refused: str = ""

    @property
    def outcome(self) -> str:
        return self.answer.outcome if self.answer else ""


def render_step(
    request: HttpRequest,
    place: Place,
    step: Step,
    *,
    refused: str = "",
    given: Answer | None = None,
    refused_value: str = "",
    status: int = 200,
) -> HttpResponse:
    """The step's page; ``given`` and ``refused`` show an answer that was not stored, with everything typed.

    ``refused_value``: key of the asked value that was not stored; what was typed stands in the posted form.
    """
    now = timezone.now()
    works = place.run.holder_id == request.user.pk and place.run.job.is_open
    danger = danger_due(place.run, place.flow, step, by=request.user, at=now) if works else None
    if danger is not None:
        return _danger_page(request, place, step, danger, now)
    if given is not None:
        entered = Given(given.typed, given.unit, given, refused)
    else:
        entered = Given(request.GET.get("typed", "")[:60], request.GET.get("unit", ""), refused=refused)
    context = {
        **_frame(request, place, step, now),
        **_measured(request, place, step, entered),
        **_told(place, step, now),
        "pack": pack_urls(place) if works else [],
        "refused_value": refused_value,
        "typed_value": request.POST.get("typed", "")[:60],
    }
    return render(request, "jobs/step.html", context, status=status)


def _frame(request: HttpRequest, place: Place, step: Step, now: datetime) -> dict[str, object]:
    """The step itself and its place in the run."""
    run = place.run
    undo = undo_offer(place, request.user, now) if step.key == place.way.current else None
    return {
        "run": run,
        "job": run.job,
        "flow": place.flow,
        "step": step,
        "number": place.flow.number_by_step[step.key],
        "rail": _rail(place, step),
        "cautions": _cautions(step),
        "picture_path": f"procedures/pictures/{step.picture}",
        "previous": _previous(place, step),
        "off_path": step.key != place.way.current and step.key not in {key for key, _route in place.way.path},
        "held": run.holder_id == request.user.pk,
        "resume": _resume(place, request, now),
        "undo": undo,
        "undo_words": answer_words(place.flow, undo) if undo else "",
        "undo_seconds": UNDO_SECONDS,
        "newer": _newer(run),
    }


def _measured(request: HttpRequest, place: Place, step: Step, entered: Given) -> dict[str, object]:
    """What is asked or measured, how the reading is judged, and the answers."""
    values = answering.values_of(place.run, place.flow)
    meter = chosen_meter(request)
    judgement, line, unreadable = judge_typed(step, entered.typed, entered.unit, values, meter)
    proposed = judgement.outcome if judgement else ""
    return {
        "asked": answering.values_missing(place.flow, step, values),
        "units": [UNITS[name] for name in QUANTITIES[step.reading.quantity]] if step.reading else [],
        "meter": meter,
        "meters": list(Meter.objects.all()) if step.reading else [],
        "typed": entered.typed,
        "unit": entered.unit or (step.reading.unit if step.reading else ""),
        "judgement": judgement,
        "shown": as_shown(entered.typed, entered.unit, step),
        "expectations": expectations(place.flow, step, values),
        "verdict": verdict_words(step, judgement),
        "line": line,
        "unreadable": unreadable,
        "refused": entered.refused,
        "given": entered.answer,
        "override": bool(entered.outcome and proposed != entered.outcome),
        "chosen": next((row.label for row in step.outcomes if row.key == entered.outcome), ""),
        "buttons": answer_buttons(place.flow, step, proposed, line),
        "earlier": next((row for row in place.standing if row.step == step.key), None),
        "client_id": entered.answer.client_id if entered.answer and not entered.refused else uuid.uuid4(),
        "ways": [f"{row.key}>{row.go.key if row.go.kind is GoKind.STEP else ''}" for row in step.outcomes],
    }


def _told(place: Place, step: Step, now: datetime) -> dict[str, object]:
    """What the tool says of its own accord."""
    reasoning = reason_about(place.run.job, at=now)
    return {"reasoning": reasoning, "better": _better(place, step, reasoning)}


def _danger_page(request: HttpRequest, place: Place, step: Step, danger: Caution, now: datetime) -> HttpResponse:
    """A DANGER as a full screen of its own, which asks for the state of things."""
    context = {
        "run": place.run,
        "job": place.run.job,
        "step": step,
        "danger": danger,
        "shown_at": f"{now.timestamp():.0f}",
        "pack": pack_urls(place),
        "client_id": uuid.uuid4(),
        "previous": _previous(place, step),
    }
    return render(request, "jobs/danger.html", context)


def _resume(place: Place, request: HttpRequest, now: datetime) -> dict[str, object] | None:
    """The card for somebody who comes back after a break, or takes up what another began."""
    last = place.rows[-1] if place.rows else None
    if last is None or (now - last.at < LONG_BREAK and last.who_id == request.user.pk):
        return None
    off = off_in(place.run, place.flow, list(place.run.results.all()), place.run.put_back.all())
    return {
        "answers": place.answers()[-2:],
        "away": minutes_words((now - last.at).total_seconds() / 60),
        "by": last.who if last.who_id != request.user.pk else None,
        "off": [each.part for each in off],
    }


def _cautions(step: Step) -> list[Caution]:
    """In the order of their weight, danger first."""
    order = {signal: place for place, signal in enumerate(Caution.Signal.values)}
    return sorted(Caution.objects.filter(key__in=step.cautions), key=lambda row: order[row.signal])


def _rail(place: Place, step: Step) -> dict[str, object]:
    done = {row.step: row for row in place.standing}
    marks = ["skipped" if done[key].skipped else "done" for key, _route in place.way.path if key in done]
    here = next((index for index, (key, _route) in enumerate(place.way.path) if key == step.key), len(marks))
    more = max(0, steps_left(place.flow, step.key) - 1)
    if here < len(marks):
        marks[here] = "now"
    else:
        marks.append("now")
        marks += ["ahead"] * more
    seconds = sum(row.seconds or 0 for row in place.standing)
    words = f"step {here + 1}" + (f", at most {more} more" if more else ", the last") + f", {seconds // 60} min so far"
    return {"marks": marks, "words": words}


def _previous(place: Place, step: Step) -> str:
    path = [key for key, _route in place.way.path]
    if step.key in path:
        index = path.index(step.key)
        return path[index - 1] if index else ""
    return path[-1] if path else ""


def _better(place: Place, step: Step, reasoning: Reasoning | None) -> dict[str, object] | None:
    """The most telling next test where it beats the written one by a minute or more, with the way to it."""
    if reasoning is None or reasoning.advice.test is None or step.key != place.way.current:
        return None
    test = reasoning.advice.test
    written = next((option for option in reasoning.advice.tests if option.step == step.key), None)
    if test.procedure != place.flow.procedure or test.step == step.key or written is None:
        return None
    saved = written.expected - test.expected
    if saved < LEAST_SAVED:
        return None
    words = (
        f"{minutes_words(test.minutes + test.setup)}, and about {minutes_words(saved)} quicker to the cure on average "
        f"than the written next step. It tells {test.bits:.1f} bits, the written one {written.bits:.1f}; "
        "one bit halves what is still possible."
    )
    return {"step": test.step, "title": test.title, "words": words, "number": place.flow.number_by_step[test.step]}


def _newer(run: Run) -> Revision | None:
    if run.revision.state == Revision.State.PUBLISHED:
        return None
    return run.revision.procedure.revisions.filter(state=Revision.State.PUBLISHED).first()
