"""A revision walked as the person at the vehicle will see it, with invented readings: no job, nothing stored.

Everything that was answered, asked and confirmed on the way stands in the address.
"""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlencode

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Caution
from shopkb.core.flow.model import AskedValue, Flow, GoKind, Outcome, Step
from shopkb.core.flow.names import cause_name, leads_to
from shopkb.core.flow.paths import causes_from, steps_left
from shopkb.core.readings.parsing import parse_quantity
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import QUANTITIES, UNITS
from shopkb.jobs import answering
from shopkb.jobs.dangers import as_shown, cautions_in_force
from shopkb.jobs.views.typed_reading import (
    answer_buttons,
    circuit_readings,
    expectations,
    judge_typed,
    place_told,
    verdict_text,
)
from shopkb.procedures.hand_overs import titles_behind
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.procedures.views.requested import requested_revision

VALUE, SEEN = "value-", "seen"
LONGEST_WAY = 300
"""Answers a trial may have; a loop in a draft would go on for ever."""


@dataclass(frozen=True, slots=True)
class Trial:
    """How far the answers lead: those given, then the step that is shown, or the outcome that ended it."""

    answered: tuple[tuple[Step, Outcome], ...]
    step: Step | None
    end: Outcome | None

    @property
    def way(self) -> str:
        return ".".join(outcome.key for _step, outcome in self.answered)


def follow(flow: Flow, answers: list[str]) -> Trial:
    """Follow the answers from the first step, as far as each is an answer of the step it is given to."""
    step, answered, end = flow.step_by_key.get(flow.start), [], None
    for key in answers[:LONGEST_WAY]:
        outcome = next((one for one in step.outcomes if one.key == key), None) if step else None
        if step is None or outcome is None:
            break
        answered.append((step, outcome))
        step = flow.step_by_key.get(outcome.go.key) if outcome.go.kind is GoKind.STEP else None
        end = outcome if step is None else None
    return Trial(tuple(answered), step, end)


@require_safe
def trial(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """The step that the answers in the address lead to, its danger first, or the end of the way."""
    require(request.user, Right.READ)
    revision = requested_revision(key, number)
    flow = flow_of(revision)
    answers = [one for one in request.GET.get("way", "").split(".") if one]
    if outcome := request.GET.get("outcome"):
        here = follow(flow, [*answers, outcome])
        return redirect(_address(revision, here.way, _kept(request, flow)))
    here = follow(flow, answers)
    kept = _kept(request, flow)
    context = {
        "revision": revision,
        "procedure": revision.procedure,
        "flow": flow,
        "step": here.step,
        "kept": [("way", here.way), *kept],
        "back": _address(revision, here.way.rpartition(".")[0], kept) if here.answered else "",
        "again": _address(revision, "", []),
        "rail": _rail(flow, here),
    }
    if here.step is None:
        return render(request, "jobs/trial_end.html", context | _end(flow, here))
    cautions, still = cautions_in_force(flow, here.step, [step.key for step, _outcome in here.answered])
    seen = [text for name, text in kept if name == SEEN]
    danger = next((row for row in cautions if row.signal == Caution.Signal.DANGER and row.key not in seen), None)
    if danger is not None:
        return render(request, "jobs/trial_danger.html", context | {"danger": danger})
    context |= {"cautions": as_shown(cautions, still)}
    return render(request, "jobs/trial.html", context | _measured(request, flow, here.step))


def _kept(request: SignedInRequest, flow: Flow) -> list[tuple[str, str]]:
    """Values and confirmed dangers that go along in every address."""
    values = [(f"{VALUE}{one.key}", request.GET.get(f"{VALUE}{one.key}", "")[:60]) for one in flow.values]
    return [pair for pair in values if pair[1]] + [(SEEN, key[:60]) for key in request.GET.getlist(SEEN)[:50]]


def _address(revision: Revision, way: str, kept: list[tuple[str, str]]) -> str:
    address = reverse("jobs:trial", args=[revision.procedure.key, revision.number])
    query = urlencode([("way", way), *kept] if way else kept)
    return f"{address}?{query}" if query else address


def _measured(request: SignedInRequest, flow: Flow, step: Step) -> dict[str, object]:
    """What is asked first, the reading as it is judged without a meter's uncertainty, and the answers."""
    asked, faults = _values(request, flow)
    values = answering.with_computed(flow, asked)
    typed, unit = request.GET.get("typed", "")[:60], request.GET.get("unit", "")
    reading = judge_typed(step, typed, unit, values, None)
    proposed = reading.judgement.outcome if reading.judgement else ""
    return {
        "asked": [(value, faults.get(value.key, "")) for value in answering.values_missing(flow, step, values)],
        "units": [UNITS[name] for name in QUANTITIES[step.reading.quantity]] if step.reading else [],
        "typed": typed,
        "unit": unit or (step.reading.unit if step.reading else ""),
        "shown": reading.shown,
        "judgement": reading.judgement,
        "verdict": verdict_text(step, reading.judgement),
        "unreadable": reading.unreadable,
        "line": reading.line,
        "expectations": expectations(flow, step, values),
        **circuit_readings(flow, step, values, reading.at),
        "elsewhere": "" if typed else place_told(flow, step, dict.fromkeys(causes_from(flow, step.key), 1.0)),
        "buttons": answer_buttons(flow, step, proposed, reading.line),
        "possible": sorted(
            cause_name(cause.component, cause.mode) for cause in flow.causes if cause.key in causes_from(flow, step.key)
        ),
    }


def _values(request: SignedInRequest, flow: Flow) -> tuple[dict[str, Quantity], dict[str, str]]:
    """The values that were given, and why those that cannot be read were not taken."""
    given: dict[str, Quantity] = {}
    faults: dict[str, str] = {}
    for value in flow.values:
        text = request.GET.get(f"{VALUE}{value.key}", "")[:60]
        if not isinstance(value, AskedValue) or not text:
            continue
        try:
            given[value.key] = parse_quantity(text, unit=value.unit)
        except ReadingError as refusal:
            faults[value.key] = str(refusal)
    return given, faults


def _end(flow: Flow, here: Trial) -> dict[str, object]:
    end = here.end
    cause = flow.cause_by_key.get(end.go.key) if end and end.go.kind is GoKind.CAUSE else None
    return {
        "end": end,
        "cause": cause,
        "cause_words": cause_name(cause.component, cause.mode) if cause else "",
        "nowhere": end is None or end.go.kind is GoKind.NOWHERE,
        "handed": leads_to(flow, end.go, titles_behind([end])) if end and end.go.kind is GoKind.HAND_OVER else "",
        "off": sorted({part for step, _outcome in here.answered for part in step.isolates}),
    }


def _rail(flow: Flow, here: Trial) -> dict[str, object]:
    done = len(here.answered)
    minutes = sum(step.minutes or 0 for step, _outcome in here.answered)
    more = max(0, steps_left(flow, here.step.key) - 1) if here.step else 0
    marks = ["done"] * done + (["now"] + ["ahead"] * more if here.step else [])
    ahead = f"at most {more} more" if more else "the last" if done else "the only one"
    place = f"step {flow.number_by_step[here.step.key]}: {done} done, {ahead}" if here.step else "the end"
    return {"marks": marks, "words": f"{place}, {minutes:g} min"}
