"""Working on without the network: the pages kept on the device, and the place its outbox sends to."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from uuid import UUID

from django.contrib.auth.decorators import login_not_required
from django.contrib.staticfiles import finders
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.catalog.facts import remembered_facts
from shopkb.catalog.meter_values import meter_of
from shopkb.catalog.models import Cause, Caution, Meter
from shopkb.core.flow.checks.step_hazards import riskier_ways
from shopkb.core.flow.model import Flow, GoKind, Outcome, Proof, ReadingSpec, Step
from shopkb.core.flow.names import cause_name, leads_to
from shopkb.core.readings.bands import Band, Interval
from shopkb.core.readings.limits import display_interval
from shopkb.core.readings.plausible import LEAST, SHOWS_OVER_LIMIT, PlausibleRange, as_written, expected
from shopkb.core.readings.quantities import Quantity
from shopkb.core.readings.units import COUNT, QUANTITIES, UNITS
from shopkb.jobs import answering
from shopkb.jobs.actions import photos
from shopkb.jobs.actions.following import UNSAFE
from shopkb.jobs.actions.receiving import receive
from shopkb.jobs.dangers import as_shown, cautions_in_force
from shopkb.jobs.errors import IdempotencyConflict, NotPossible
from shopkb.jobs.kept_limits import limits_of
from shopkb.jobs.models import Job, Result, Run
from shopkb.jobs.offline_pack import PackedProcedure, packed_procedures
from shopkb.jobs.reasoning import steps_ahead
from shopkb.jobs.run_state import RunState, run_state_of
from shopkb.jobs.shown_words import stamp
from shopkb.jobs.views.repairing import causes_of
from shopkb.jobs.views.run_texts import risk_words
from shopkb.jobs.views.typed_reading import chosen_meter, circuit_readings
from shopkb.procedures.hand_overs import titles_behind
from shopkb.web.storable import odd_character

LARGEST_ITEM = 8 * 1024
SIGN_IN_AGAIN = "Sign in again; what was not sent is kept on this device."


@require_safe
def pack_step(request: SignedInRequest, pk: int, step: str) -> HttpResponse:
    """A step as it is kept on the device: everything it needs to be done and answered without the network."""
    run_state = run_state_of(pk)
    here = run_state.flow.step_by_key.get(step)
    if here is None:
        return HttpResponse(status=404)
    values = answering.values_of(run_state.run, run_state.flow)
    context = {**of_run(run_state), **step_context(run_state, here, values, chosen_meter(request))}
    return render(request, "jobs/pack_step.html", context)


def of_run(run_state: RunState) -> dict[str, object]:
    """What pages on the device say of a run that is stored: its number, and where its addresses begin."""
    run = run_state.run
    return {"run": run, "job": run.job, "run_key": run.pk, "base": reverse("jobs:run", args=[run.pk])}


def step_context(
    run_state: RunState, here: Step, values: dict[str, Quantity], meter: Meter | None
) -> dict[str, object]:
    """What a step needs to be done without the network. ``values``: those known by now."""
    done = {row.step for row in run_state.effective if not row.skipped}
    cautions, still = cautions_in_force(run_state.flow, here, done)
    riskier = riskier_ways(run_state.flow, here, remembered_facts())
    titles = titles_behind(here.outcomes)
    return {
        "step": here,
        "cautions": as_shown(cautions, still),
        "words_shown": stamp([*cautions, *still]),
        "dangers": [row for row in cautions if row.signal == Caution.Signal.DANGER],
        "asked": answering.values_missing(run_state.flow, here, values),
        "answers": [
            {
                **_answer(here, outcome, values, meter),
                "goes": leads_to(run_state.flow, outcome.go, titles),
                "riskier": risk_words(riskier, outcome.key),
            }
            for outcome in here.outcomes
        ],
        "unit": UNITS[here.reading.unit] if here.reading else None,
        "units": [UNITS[name] for name in QUANTITIES[here.reading.quantity]] if here.reading else [],
        "meter": meter,
        "limits": limits_of(run_state.flow, here, values),
        "earlier": next((row for row in run_state.effective if row.step == here.key), None),
        "last": run_state.rows[-1] if run_state.rows else None,
        "skips": Result.Skip.choices,
        "unsafe": " ".join(UNSAFE),
        **_plausible(here, values),
        **circuit_readings(run_state.flow, here, values, None),
    }


@require_safe
def pack_end(request: SignedInRequest, pk: int) -> HttpResponse:
    """The ends a procedure has, for where the way ends without the network: the device knows which it came to."""
    run_state = run_state_of(pk)
    return render(request, "jobs/pack_end.html", {**of_run(run_state), **end_context(run_state)})


def end_context(run_state: RunState) -> dict[str, object]:
    """Every end of the procedure, and what is to be done about each cause. Three queries."""
    flow, walk = run_state.flow, run_state.walk
    rows = {cause.identity: row for row, cause in causes_of(flow)}
    travel = {each.key: each for each in packed_procedures([end.go.key for _step, end in _ends(flow)])}
    ends: dict[tuple[object, ...], dict[str, object]] = {}
    for step, outcome in _ends(flow):
        same = (outcome.go, outcome.proof, outcome.note, outcome.label if outcome.go.kind is GoKind.OUT else "")
        if same in ends:
            ends[same]["way"] = f"{ends[same]['way']}|{step.key} {outcome.key}"
        else:
            ends[same] = _end(flow, step, outcome, rows, travel)
    reached = f"{walk.end_step} {walk.end.key}" if walk.end else ""
    return {"ends": list(ends.values()), "causes": flow.causes, "reached": reached}


def _ends(flow: Flow) -> list[tuple[Step, Outcome]]:
    return [(step, row) for step in flow.steps for row in step.outcomes if row.go.kind is not GoKind.STEP]


def _end(
    flow: Flow, step: Step, outcome: Outcome, rows: Mapping[str, Cause], travel: Mapping[str, PackedProcedure]
) -> dict[str, object]:
    told: dict[str, object] = {"way": f"{step.key} {outcome.key}", "note": outcome.note}
    cause = flow.cause_by_key.get(outcome.go.key) if outcome.go.kind is GoKind.CAUSE else None
    if cause is not None:
        row = rows.get(cause.identity)
        weak = outcome.proof is Proof.ELIMINATION
        return {
            **told, "words": cause_name(cause.component, cause.mode), "identity": cause.identity, "weak": weak,
            "proof": outcome.proof.value if outcome.proof else "", "cause": row.pk if row else "",
        }  # fmt: skip
    onward = travel.get(outcome.go.key) if outcome.go.kind is GoKind.HAND_OVER else None
    if onward is not None:
        return {
            **told, "words": f"Goes on in: {onward.title}", "procedure": onward.key, "number": onward.number,
            "title": onward.title,
        }  # fmt: skip
    return {**told, "words": outcome.label}


@require_safe
def outbox(request: SignedInRequest) -> HttpResponse:
    """What this device has not sent yet: a list, retry, save to a file. Filled in by the device itself."""
    return render(request, "jobs/outbox.html")


@require_safe
def locked(request: SignedInRequest) -> HttpResponse:
    """What a shared tablet shows while it is locked and the network is away. Kept on the device with each run."""
    return render(request, "jobs/locked.html")


@login_not_required
@require_safe
def token(request: HttpRequest) -> JsonResponse:
    """A fresh token just before sending, and who is signed in."""
    user = request.user
    return JsonResponse({"token": get_token(request), "user": user.pk if user.is_authenticated else None})


@login_not_required
@require_POST
def take_item(request: HttpRequest, pk: int | None = None, begun: UUID | None = None) -> JsonResponse:
    """Take one item of an outbox, for the run with this number or the one that a device began under this id.

    200 with a receipt; 401 signed out; 409, 422 refused, with the words why.
    """
    if not request.user.is_authenticated:
        return JsonResponse({"error": SIGN_IN_AGAIN}, status=401)
    run = get_object_or_404(Run, client_id=begun) if begun else get_object_or_404(Run, pk=pk)
    try:
        item = _item(request)
        receipt = receive(run, item, by=request.user, at=timezone.now())
    except IdempotencyConflict as error:
        return JsonResponse({"error": str(error)}, status=409)
    except (NotPossible, PermissionDenied) as error:
        return JsonResponse({"error": str(error)}, status=422)
    return JsonResponse({"stored": True, "counts": receipt.counts, "why": receipt.why})


@login_not_required
@require_POST
def take_photo(request: HttpRequest, pk: int | None = None, begun: UUID | None = None) -> JsonResponse:
    """Take one picture of an outbox: ``picture``, ``client_id``, ``words``, and the id of the ``answer`` it goes with.

    It is for the job with this number, or for that of the run which a device began under the id ``begun``.

    200 with a receipt; 401 signed out; 409, 422 refused, with the words why; 503 to be sent again in a moment.
    """
    if not request.user.is_authenticated:
        return JsonResponse({"error": SIGN_IN_AGAIN}, status=401)
    job = get_object_or_404(Job, runs__client_id=begun) if begun else get_object_or_404(Job, pk=pk)
    try:
        photos.keep_photo(job, _picture(request, job), by=request.user, at=timezone.now())
    except photos.NotNow as error:
        return JsonResponse({"error": str(error)}, status=503)
    except IdempotencyConflict as error:
        return JsonResponse({"error": str(error)}, status=409)
    except (NotPossible, PermissionDenied) as error:
        return JsonResponse({"error": str(error)}, status=422)
    return JsonResponse({"stored": True, "counts": True, "why": ""})


@login_not_required
@require_safe
def worker(_request: HttpRequest) -> HttpResponse:
    """The service worker, served from the top so that it may answer for all pages."""
    body = Path(str(finders.find("jobs/worker.js"))).read_text(encoding="utf-8")
    return HttpResponse(body, content_type="text/javascript; charset=utf-8", headers={"Cache-Control": "no-cache"})


def pack_urls(run_state: RunState) -> list[str]:
    """Addresses of the steps that can still come, for the device to keep: the one to do now first."""
    ahead = sorted(steps_ahead(run_state.flow, run_state.walk), key=run_state.flow.number_by_step.__getitem__)
    ahead.sort(key=lambda step: step != run_state.walk.current)
    steps = [reverse("jobs:pack-step", args=[run_state.run.pk, key]) for key in ahead]
    pages = [
        reverse(f"jobs:{name}", args=[run_state.run.pk])
        for name in ("pack-end", "pack-repair", "pack-verify", "pack-finding", "hand-over")
    ]
    anywhere = [reverse(f"jobs:{name}") for name in ("locked", "outbox", "new", "known-vehicles", "begin")]
    return [*anywhere[:2], pages[0], *steps, *pages[1:], *anywhere[2:]]


def _item(request: HttpRequest) -> dict[str, str]:
    if request.content_type != "application/json":  # a form's body has been read by now
        raise NotPossible("This is not an item of an outbox.")
    if len(request.body) > LARGEST_ITEM:
        raise NotPossible("This item is larger than an answer can be.")
    try:
        data: Any = json.loads(request.body)
        item = {str(key): str(value) for key, value in data.items() if value is not None}
        UUID(item["client_id"])
    except (ValueError, KeyError, AttributeError, RecursionError):
        raise NotPossible("This is not an item of an outbox.") from None
    for name, text in item.items():
        if odd := odd_character(name + text):
            raise NotPossible(f"There is {odd} in it, which is no text. Answer this step again.")
    return item


def _picture(request: HttpRequest, job: Job) -> photos.NewPhoto:
    """The picture that was posted; an answer that was refused or is not of this job leaves it with the job alone."""
    file = request.FILES.get("picture")
    if file is None:
        raise NotPossible("There is no picture in this.")
    try:
        client_id = UUID(request.POST.get("client_id", ""))
    except ValueError:
        raise NotPossible("This picture has no number of its own. Take it again.") from None
    return photos.NewPhoto(file, client_id, words=request.POST.get("words", ""), result=_answered(request, job))


def _answered(request: HttpRequest, job: Job) -> Result | None:
    try:
        client_id = UUID(request.POST.get("answer", ""))
    except ValueError:
        return None
    return Result.objects.filter(run__job=job, client_id=client_id).first()


def _named_limits(band: Band) -> str:
    """A band whose values are not known yet, by their names: ``feed drop + 0.3 V or less``."""
    if band.over_limit:
        return "the meter shows over limit"
    low, high = (end.text().replace("_", " ").replace(" * ", " × ") if end else "" for end in (band.low, band.high))
    words = [f"more than {low}" if band.low_open else f"{low} or more"] if low else []
    words += [f"under {high}" if band.high_open else f"{high} or less"] if high else []
    return ", ".join(words)


def _plausible(step: Step, values: dict[str, Quantity]) -> dict[str, object]:
    """What the device asks about before it keeps a reading: as the server will, with the limits known now."""
    spec = step.reading
    if spec is None:
        return {}
    bands = [outcome.band for outcome in step.outcomes if outcome.band is not None]
    known = [band.resolve(values, spec.unit) for band in bands if band.names <= values.keys()]
    least = LEAST.get(spec.quantity)
    return {
        "expected": _expected(spec, known) if len(known) == len(bands) or spec.plausible else None,
        "least": float(least.exact(spec.unit)) if least is not None else "",
        "whole": spec.quantity == COUNT,
        "shows_over_limit": spec.quantity in SHOWS_OVER_LIMIT or any(band.over_limit for band in bands),
    }


def _expected(spec: ReadingSpec, known: Sequence[Interval]) -> PlausibleRange | None:
    return as_written(spec.plausible, spec.unit) if spec.plausible else expected(known, spec.quantity, spec.unit)


def _answer(step: Step, outcome: Outcome, values: dict[str, Quantity], meter: Meter | None) -> dict[str, object]:
    """An answer as it is kept. ``interval`` decides on the device; ``displayed`` is what people see of it.

    Where ``displayed`` would say otherwise than ``interval`` of a reading with many digits, the device shows ``exact``.
    """
    band, go = outcome.band, outcome.go
    interval, displayed, unit = None, None, step.reading.unit if step.reading is not None else ""
    if band is not None and step.reading is not None and band.names <= values.keys() and not band.over_limit:
        interval = band.resolve(values, unit)
        displayed = display_interval(band, values, unit, meter_of(meter) if meter is not None else None)
    return {
        "key": outcome.key,
        "label": outcome.label,
        "next": go.key if go.kind is GoKind.STEP else "",
        "interval": interval,
        "told": displayed,
        "exact": replace(interval, for_display=True).words(UNITS[unit].sign) if interval else "",
        "over": bool(band is not None and band.over_limit),
        "band": displayed.words(UNITS[unit].sign) if displayed else _named_limits(band) if band is not None else "",
    }
