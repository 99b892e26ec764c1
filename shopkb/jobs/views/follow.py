"""Following a procedure at the vehicle: one step, one screen."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Caution, Meter
from shopkb.core.flow.model import ComputedValue, Flow, GoKind, Step
from shopkb.core.flow.paths import steps_left
from shopkb.core.readings.expected import compute
from shopkb.core.readings.meters import Judgement, Verdict
from shopkb.core.readings.units import (
    QUANTITIES,
    UNITS,
    Quantity,
    ReadingError,
    format_quantity,
    parse_reading,
)
from shopkb.jobs import following
from shopkb.jobs.dangers import LONG_BREAK, danger_due
from shopkb.jobs.errors import NotNow, NotPossible, OtherBody, Unreadable
from shopkb.jobs.following import Answer
from shopkb.jobs.forms import SkipForm
from shopkb.jobs.models import Job, Result, Run
from shopkb.jobs.reasoning import Reasoning, reason_about
from shopkb.jobs.vehicle_state import off_in
from shopkb.jobs.views.outbox import pack_urls
from shopkb.jobs.views.place import Place, answer_words, cause_words, client_id_of, late_answers, leads_to, place_of
from shopkb.procedures.models import Procedure, Revision
from shopkb.web.numberline import NumberLine, Segment, number_line
from shopkb.web.words import minutes_words

LEAST_SAVED = 1.0
"""Minutes by which another order must be quicker before it is said."""

METER = "meter"
"""Session key: the meter chosen for the day."""


@require_POST
def start(request: HttpRequest, pk: int, procedure: str) -> HttpResponse:
    """Begin following a procedure on this job."""
    job = get_object_or_404(Job, pk=pk)
    chosen = get_object_or_404(Procedure, key=procedure)
    number = request.POST.get("came_from", "")
    came_from = job.runs.filter(pk=int(number)).first() if number.isdecimal() else None
    try:
        run = following.start_run(
            job, chosen, by=request.user, at=timezone.now(), client_id=client_id_of(request), came_from=came_from
        )
    except NotPossible as error:
        messages.error(request, str(error))
        return redirect("jobs:job", pk)
    return redirect("jobs:run", run.pk)


@require_safe
def run_page(request: HttpRequest, pk: int) -> HttpResponse:
    """The step to do now, or the end that was reached."""
    place = place_of(pk)
    if place.way.current and place.run.state == Run.State.UNDER_WAY:
        return _step_page(request, place, place.flow.step_by_key[place.way.current])
    return render(request, "jobs/end.html", _end_context(place))


@require_safe
def more(request: HttpRequest, pk: int) -> HttpResponse:
    """What else can be done in the middle of a run."""
    place = place_of(pk)
    context = {
        "run": place.run,
        "job": place.run.job,
        "flow": place.flow,
        "last": place.rows[-1] if place.rows else None,
        "path": place.answers(),
        "late": late_answers(place.run.job),
    }
    return render(request, "jobs/more.html", context)


@require_safe
def step_page(request: HttpRequest, pk: int, step: str) -> HttpResponse:
    """A step on the way taken, to look at or answer again; or another step of the procedure, done out of order."""
    place = place_of(pk)
    if step not in place.flow.step_by_key:
        raise Http404
    return _step_page(request, place, place.flow.step_by_key[step])


@require_http_methods(["GET", "POST"])
def answer(request: HttpRequest, pk: int, step: str) -> HttpResponse:
    """Store one answer; a refusal shows the step again with everything that was typed."""
    if request.method == "GET":  # the address of a refused answer, loaded again
        return redirect("jobs:step", pk, step)
    require(request.user, Right.WORK)
    place = place_of(pk)
    if step not in place.flow.step_by_key:
        raise Http404
    given = Answer(
        step=step,
        client_id=client_id_of(request),
        outcome=request.POST.get("outcome", ""),
        typed=request.POST.get("typed", "")[:60],
        unit=request.POST.get("unit", ""),
        meter=_meter(request),
        override_why=request.POST.get("override_why", ""),
        note=request.POST.get("note", "")[:2000],
        off_path=request.POST.get("off_path") == "yes",
    )
    try:
        following.record(place.run, given, by=request.user, at=timezone.now())
    except (NotNow, OtherBody) as error:
        messages.warning(request, str(error))
        return redirect("jobs:run", pk)
    except NotPossible as error:
        return _step_page(request, place, place.flow.step_by_key[step], refused=str(error), given=given, status=422)
    return redirect("jobs:run", pk)


@require_http_methods(["GET", "POST"])
def skip(request: HttpRequest, pk: int, step: str) -> HttpResponse:
    """Leave a step out for an honest reason."""
    require(request.user, Right.WORK)
    place = place_of(pk)
    if step not in place.flow.step_by_key:
        raise Http404
    here = place.flow.step_by_key[step]
    outcomes = [(outcome.key, f"{outcome.label}: {leads_to(place.flow, outcome)}") for outcome in here.outcomes]
    form = SkipForm(request.POST or None, outcomes=outcomes)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        given = Answer(step, data["client_id"], skipped=data["skipped"], onward=data["onward"], note=data["note"])
        try:
            following.record(place.run, given, by=request.user, at=timezone.now())
        except NotPossible as error:
            form.add_error(None, str(error))
        else:
            return redirect("jobs:run", pk)
    context = {"form": form, "run": place.run, "job": place.run.job, "step": here}
    return render(request, "jobs/skip.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def value(request: HttpRequest, pk: int, key: str) -> HttpResponse:
    """Store a value that is asked once a run."""
    if request.method == "GET":
        return redirect("jobs:run", pk)
    place = place_of(pk)
    step = place.flow.step_by_key.get(request.POST.get("step", ""))
    try:
        following.record_value(
            place.run,
            key,
            request.POST.get("typed", "")[:60],
            by=request.user,
            at=timezone.now(),
            client_id=client_id_of(request),
        )
    except NotPossible as error:
        if step is None:
            messages.error(request, str(error))
            return redirect("jobs:run", pk)
        return _step_page(request, place, step, refused=str(error), status=422)
    return redirect("jobs:step", pk, step.key) if step else redirect("jobs:run", pk)


@require_POST
def choose_meter(request: HttpRequest, pk: int) -> HttpResponse:
    """The meter for today; it stays chosen until another is."""
    meter = Meter.objects.filter(key=request.POST.get("meter", "")).first()
    if meter:
        request.session[METER] = meter.key
    else:
        request.session.pop(METER, None)
    step = request.POST.get("step", "")
    return redirect("jobs:step", pk, step) if step in place_of(pk).flow.step_by_key else redirect("jobs:run", pk)


@require_POST
def stop(request: HttpRequest, pk: int) -> HttpResponse:
    """Leave the procedure before its end."""
    run = get_object_or_404(Run, pk=pk)
    try:
        following.stop_run(run, by=request.user, at=timezone.now(), why=request.POST.get("why", ""))
    except NotPossible as error:
        messages.error(request, str(error))
        return redirect("jobs:run", pk)
    return redirect("jobs:job", run.job_id)


@require_POST
def move(request: HttpRequest, pk: int) -> HttpResponse:
    """Go on with the newest published revision."""
    try:
        newest = following.move_to_newest(get_object_or_404(Run, pk=pk), by=request.user)
    except NotPossible as error:
        messages.error(request, str(error))
    else:
        messages.success(request, f"Moved to revision {newest.number}; every result it still has a place for is kept.")
    return redirect("jobs:run", pk)


@dataclass(frozen=True)
class Button:
    """One answer as a button."""

    key: str
    number: int
    label: str
    goes: str
    primary: bool


def _step_page(
    request: HttpRequest, place: Place, step: Step, *, refused: str = "", given: Answer | None = None, status: int = 200
) -> HttpResponse:
    now = timezone.now()
    held = place.run.holder_id == request.user.pk
    if held and place.run.job.is_open:
        danger = danger_due(place.run, place.flow, step, place.rows, by=request.user, at=now)
        if danger is not None:
            return _danger_page(request, place, step, danger, now)
    values = following.values_of(place.run, place.flow)
    meter = _meter(request)
    typed = given.typed if given else request.GET.get("typed", "")[:60]
    unit = given.unit if given else request.GET.get("unit", "")
    judgement, line, unreadable = _judge(step, typed, unit, values, meter)
    earlier = next((row for row in place.standing if row.step == step.key), None)
    on_way = step.key == place.way.current or any(key == step.key for key, _route in place.way.path)
    proposed = judgement.outcome if judgement else ""
    reasoning = reason_about(place.run.job, at=now)
    undo = _undo(place, request, step)
    context = {
        "run": place.run,
        "job": place.run.job,
        "flow": place.flow,
        "step": step,
        "number": place.flow.number_by_step[step.key],
        "rail": _rail(place, step),
        "cautions": _cautions(step),
        "asked": following.values_missing(place.flow, step, values),
        "units": [UNITS[name] for name in QUANTITIES[step.reading.quantity]] if step.reading else [],
        "meter": meter,
        "meters": list(Meter.objects.all()) if step.reading else [],
        "typed": typed,
        "unit": unit or (step.reading.unit if step.reading else ""),
        "judgement": judgement,
        "shown": _shown(typed, unit, step),
        "expectations": _expectations(place.flow, step, values),
        "verdict": _verdict(step, judgement),
        "line": line,
        "unreadable": unreadable,
        "refused": refused,
        "given": given,
        "override": bool(given and given.outcome and (proposed != given.outcome)),
        "chosen": next((row.label for row in step.outcomes if given and row.key == given.outcome), ""),
        "buttons": _buttons(place.flow, step, proposed, values),
        "earlier": earlier,
        "previous": _previous(place, step),
        "off_path": not on_way,
        "client_id": given.client_id if given and not refused else uuid.uuid4(),
        "held": held,
        "resume": _resume(place, request, now),
        "ways": [f"{row.key}>{row.go.key if row.go.kind is GoKind.STEP else ''}" for row in step.outcomes],
        "pack": pack_urls(place) if held and place.run.job.is_open else [],
        "undo": undo,
        "undo_words": answer_words(place.flow, undo) if undo else "",
        "picture_path": f"procedures/pictures/{step.picture}",
        "newer": _newer(place.run),
        "reasoning": reasoning,
        "better": _better(place, step, reasoning),
    }
    return render(request, "jobs/step.html", context, status=status)


def _danger_page(request: HttpRequest, place: Place, step: Step, danger: Caution, now: datetime) -> HttpResponse:
    """A DANGER as a full screen of its own, which asks for the state of things."""
    context = {
        "run": place.run,
        "job": place.run.job,
        "step": step,
        "danger": danger,
        "shown_at": f"{now.timestamp():.0f}",
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


def _undo(place: Place, request: HttpRequest, step: Step) -> Result | None:
    """The answer that led here, while it may still be taken back at once."""
    last = place.rows[-1] if place.rows else None
    if last is None or last.who_id != request.user.pk or step.key != place.way.current:
        return None
    return last


def _judge(
    step: Step, typed: str, unit: str, values: dict[str, Quantity], meter: Meter | None
) -> tuple[Judgement | None, NumberLine | None, str]:
    if step.reading is None:
        return None, None, ""
    judgement, unreadable, at = None, "", None
    if typed.strip():
        try:
            reading, judgement = following.read_and_judge(step, typed, unit, values, meter)
            if reading.quantity is not None:
                at = float(reading.quantity.to(step.reading.unit).magnitude)
        except Unreadable as error:
            unreadable = str(error)
    intervals = []
    for number, outcome in enumerate(step.outcomes, start=1):
        if outcome.band is None or outcome.band.over_limit or not outcome.band.names <= values.keys():
            continue
        intervals.append(Segment(outcome.label, outcome.band.resolve(values, step.reading.unit), str(number)))
    line = number_line(intervals, UNITS[step.reading.unit].sign, at) if intervals else None
    return judgement, line, unreadable


def _verdict(step: Step, judgement: Judgement | None) -> str:
    """The verdict in a few words: where the reading lies, and whether that is sure."""
    if judgement is None:
        return ""
    if not judgement.outcome:
        return "No answer fits this reading. Measure again."
    label = step.outcome(judgement.outcome).label
    if judgement.verdict is Verdict.TOO_CLOSE:
        return f"{label}, but too close to call."
    return f"{label}, clear of the limit." if judgement.verdict is Verdict.CLEAR else f"{label}."


def _buttons(flow: Flow, step: Step, proposed: str, values: dict[str, Quantity]) -> list[Button]:
    buttons = []
    for number, outcome in enumerate(step.outcomes, start=1):
        band = ""
        if outcome.band is not None and step.reading is not None and outcome.band.names <= values.keys():
            band = outcome.band.resolve(values, step.reading.unit).words(UNITS[step.reading.unit].sign)
        goes = "; ".join(part for part in (band, leads_to(flow, outcome)) if part)
        buttons.append(Button(outcome.key, number, outcome.label, goes, outcome.key == proposed))
    return sorted(buttons, key=lambda button: not button.primary)


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
        f"than the written next step. It tells {test.bits:.1f} bits, the written one {written.bits:.1f}."
    )
    return {"step": test.step, "title": test.title, "words": words, "number": place.flow.number_by_step[test.step]}


def _shown(typed: str, unit: str, step: Step) -> str:
    """What was typed, as a meter shows it."""
    if step.reading is None or not typed.strip():
        return ""
    try:
        reading = parse_reading(typed, step.reading.quantity, unit or step.reading.unit)
    except ReadingError:
        return typed
    return "over limit" if reading.quantity is None else format_quantity(reading.quantity)


def _expectations(flow: Flow, step: Step, values: Mapping[str, Quantity]) -> list[str]:
    """How each computed limit of this step was worked out, one sentence each."""
    names = {name for outcome in step.outcomes if outcome.band for name in outcome.band.names}
    told = []
    for value in flow.values:
        if value.key in names and isinstance(value, ComputedValue) and value.key in values:
            expected = compute(value.compute, dict(value.inputs), values)
            told.append(f"Expected {value.key.replace('_', ' ')}: {format_quantity(expected.value)}. {expected.how}")
    return told


def _newer(run: Run) -> Revision | None:
    if run.revision.state == Revision.State.PUBLISHED:
        return None
    return run.revision.procedure.revisions.filter(state=Revision.State.PUBLISHED).first()


def _end_context(place: Place) -> dict[str, object]:
    end = place.way.end
    flow = place.flow
    cause = flow.cause_by_key.get(end.go.key) if end and end.go.kind is GoKind.CAUSE else None
    handed = None
    if end and end.go.kind is GoKind.HAND_OVER:
        handed = Procedure.objects.filter(key=end.go.key).first()
    off = off_in(place.run, flow, list(place.run.results.all()), place.run.put_back.all())
    last = place.rows and next((row for row in reversed(place.standing) if not row.off_path), None)
    return {
        "run": place.run,
        "job": place.run.job,
        "flow": flow,
        "end": end,
        "cause": cause,
        "cause_words": cause_words(flow, cause.key) if cause else "",
        "handed": handed,
        "result": last,
        "weak": bool(end and end.proof == "elimination"),
        "off": [each.part for each in off],
        "undo": place.rows[-1] if place.rows and place.run.job.is_open else None,
        "undo_words": answer_words(flow, place.rows[-1]) if place.rows else "",
        "path": place.answers(),
        "late": late_answers(place.run.job),
        "client_id": uuid.uuid4(),
        "reasoning": reason_about(place.run.job, at=timezone.now()) if place.run.job.is_open else None,
    }


def _meter(request: HttpRequest) -> Meter | None:
    key = request.session.get(METER)
    return Meter.objects.filter(key=key).first() if key else None
