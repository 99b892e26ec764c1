"""Whole forms that a device kept while the network was away: booking in, beginning a procedure, other faults, repairs,
checks and hand-overs.

Each is read by the form of the page it comes from and stored through the same door, under the id its device gave it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import PermissionDenied
from django.db.models import Max
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.utils.datastructures import MultiValueDict
from django.views.decorators.http import require_POST, require_safe

from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.core.flow.model import Flow
from shopkb.core.flow.points import points
from shopkb.jobs.actions import closing, following, handing_over, intake, noting, repairing
from shopkb.jobs.actions.receiving import device_time
from shopkb.jobs.dangers import hurting
from shopkb.jobs.errors import IdempotencyConflict, NotPossible
from shopkb.jobs.forms.findings import FindingForm
from shopkb.jobs.forms.intake import IntakeForm
from shopkb.jobs.forms.leaving import HandOverForm
from shopkb.jobs.forms.repair import PartLines, RepairForm
from shopkb.jobs.forms.verification import VerificationForm
from shopkb.jobs.models import Job, Repair, Run, Vehicle, Verification
from shopkb.jobs.proofs import weighed
from shopkb.jobs.run_state import RunState, run_state_of, run_states_of
from shopkb.jobs.views.outbox import SIGN_IN_AGAIN, of_run
from shopkb.jobs.views.repairing import causes_of, details_of
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.web.numbers import row_number
from shopkb.web.storable import odd_character

LARGEST = 32 * 1024
VEHICLES_KNOWN_FOR = timedelta(days=90)
"""Vehicles that were here since then travel with a device."""

Fields = MultiValueDict[str, str]


@login_not_required
@require_POST
def take_form(request: HttpRequest) -> JsonResponse:
    """Take one form of an outbox. 200 with a receipt; 401 signed out; 409, 422 refused, with the words why."""
    if not isinstance(request.user, User):
        return JsonResponse({"error": SIGN_IN_AGAIN}, status=401)
    try:
        item = _item(request)
        _KINDS[item["kind"]](item, _fields(item), request.user)
    except IdempotencyConflict as error:
        return JsonResponse({"error": str(error)}, status=409)
    except (NotPossible, PermissionDenied) as error:
        return JsonResponse({"error": str(error)}, status=422)
    return JsonResponse({"stored": True, "counts": True, "why": ""})


@require_safe
def known_vehicles(request: SignedInRequest) -> JsonResponse:
    """The vehicles of the last 90 days, for booking in without the network. One query."""
    recent = timezone.now() - VEHICLES_KNOWN_FOR
    rows = Vehicle.objects.filter(jobs__opened_at__gte=recent).annotate(latest=Max("jobs__opened_at")).order_by("pk")
    known = [
        {"registration": row.registration, "vin": row.vin, "year": row.year or "", "platform": row.platform_id}
        for row in rows
    ]
    return JsonResponse({"vehicles": known})


@require_safe
def pack_repair(request: SignedInRequest, pk: int) -> HttpResponse:
    """The repair as it is kept on the device: any cause that the procedure can come to."""
    run_state = run_state_of(pk)
    return render(request, "jobs/pack_repair.html", {**of_run(run_state), **repair_context(run_state.flow)})


def repair_context(flow: Flow) -> dict[str, object]:
    """What the page of a repair needs to be filled in without the network. One query."""
    causes = causes_of(flow)
    todo = [
        (row.pk, point.text)
        for row, cause in causes
        for point in points(cause.correction)
    ]  # fmt: skip
    form = RepairForm(at_hand=[row for row, _cause in causes], to_do=[text for _pk, text in todo])
    return {"form": form, "todo": todo, "parts": PartLines(prefix="part")}


@require_safe
def pack_finding(request: SignedInRequest, pk: int) -> HttpResponse:
    """Noting another fault, as it is kept on the device."""
    return render(request, "jobs/pack_finding.html", {**of_run(run_state_of(pk)), "finding": FindingForm()})


@require_safe
def pack_verify(request: SignedInRequest, pk: int) -> HttpResponse:
    """The check of a repair as it is kept on the device."""
    run_state = run_state_of(pk)
    form = VerificationForm(points=points(run_state.flow.verify))
    cautions = hurting(run_state.flow.steps)
    return render(request, "jobs/pack_verify.html", {**of_run(run_state), "form": form, "cautions": cautions})


def _item(request: HttpRequest) -> dict[str, Any]:
    if request.content_type != "application/json" or len(request.body) > LARGEST:
        raise NotPossible("This is not a form that a device keeps.")
    try:
        item: Any = json.loads(request.body)
        UUID(str(item["client_id"]))
        known = item["kind"] in _KINDS and all(_is_plain(value) for value in item["fields"].values())
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        known = False
    if not known:
        raise NotPossible("This is not a form that a device keeps.")
    if item.get("given_locked") == "yes":
        raise NotPossible("This was filled in while the tablet was locked. Fill it in again.")
    for text in [*item["fields"], *(one for _name, values in _fields(item).lists() for one in values)]:
        if odd := odd_character(text):
            raise NotPossible(f"There is {odd} in it, which is no text. Fill it in again.")
    return dict(item)


def _is_plain(value: Any) -> bool:
    """Whether it is a text or number, or a list of such, as a form sends them."""
    return all(isinstance(one, str | int) for one in (value if isinstance(value, list) else [value]))


def _fields(item: Mapping[str, Any]) -> Fields:
    """The form as a browser would have sent it, under the id of the item."""
    sent = {
        str(name): [str(one) for one in (value if isinstance(value, list) else [value])]
        for name, value in item["fields"].items()
    }
    return MultiValueDict({**sent, "client_id": [str(item["client_id"])]})


def _checked(*kept: Any) -> None:
    """Refuse forms that do not hold, in the words of their fields. Sets of forms are looked at one by one."""
    alone = [one for each in kept for one in ([each] if isinstance(each, forms.Form) else each)]
    wrong = [
        f"{form[name].label}: {error}" if name in form.fields else str(error)
        for form in alone
        for name, errors in form.errors.items()
        for error in errors
    ]
    if wrong:
        raise NotPossible(" ".join(wrong))


def _intake(item: Mapping[str, Any], fields: Fields, by: User) -> None:
    form = IntakeForm(fields)
    _checked(form)
    try:
        intake.open_job(form.intake(), by=by, at=timezone.now(), device_at=_noted(item))
    except intake.IntakeDoubted as doubted:
        raise NotPossible(
            f"{str(doubted).partition(' If all that you typed')[0]} Book it in again with the network, where you can "
            "say that all of it is right."
        ) from None


def _start(item: Mapping[str, Any], fields: Fields, by: User) -> None:
    """Begin a procedure on a job that is stored, or that the same device booked in before it."""
    jobs, said, before = Job.objects.all(), str(item.get("job", "")), str(item.get("came_from", ""))
    runs = Run.objects.select_related("job")
    begun = _id(before)
    named = runs.filter(client_id=begun) if begun else runs.filter(pk=row_number(before) or 0)
    origin = named.first()
    number, booked = row_number(said), _id(said)
    job = jobs.filter(client_id=booked).first() if booked else jobs.filter(pk=number or 0).first()
    job = job or (origin.job if origin is not None and not said else None)
    if job is None:
        raise NotPossible("The job that this was begun on is not stored. Send its booking-in first.")
    wanted = row_number(fields.get("number", ""))
    rows = Revision.objects.filter(procedure__key=fields.get("procedure", "")[:60], number=wanted or 0)
    revision = rows.select_related("procedure").first()
    if revision is None:
        raise NotPossible("There is no such procedure here.")
    came_from = origin if origin is not None and origin.job_id == job.pk else None
    following.start_run(
        job, revision.procedure, by=by, at=timezone.now(), client_id=UUID(item["client_id"]), came_from=came_from,
        kept=revision, device_at=_noted(item),
    )  # fmt: skip


def _id(text: str) -> UUID | None:
    """An id that a device made; ``None`` for anything else."""
    try:
        return UUID(text) if "-" in text else None
    except ValueError:
        return None


def _repair(item: Mapping[str, Any], fields: Fields, by: User) -> None:
    """With the newest end of this job that names its cause."""
    run = _run(item)
    fields.setdefault("part-TOTAL_FORMS", "0")
    fields.setdefault("part-INITIAL_FORMS", "0")
    to_do = [point.text for _row, cause in causes_of(flow_of(run.revision)) for point in points(cause.correction)]
    form, parts = RepairForm(fields, to_do=to_do), PartLines(fields, prefix="part")
    _checked(form, parts)
    ends = weighed(run_states_of(run.job), None, closing.ruled_out(run.job))
    identity = form.cleaned_data["cause"].identity
    result = next((end.result for end in ends if end.identity == identity and end.repaired is None), None)
    before = Repair.objects.filter(client_id=form.cleaned_data["client_id"]).first()
    result = before.result if before is not None else result
    done = details_of(form.cleaned_data, parts, result, ends)
    repairing.record_repair(run.job, done, by=by, at=timezone.now(), device_at=_noted(item))


def _verify(item: Mapping[str, Any], fields: Fields, by: User) -> None:
    run = _run(item)
    try:
        number = UUID(str(item.get("repair", "")))
    except ValueError:
        raise NotPossible("It does not say which repair it checks.") from None
    repair = Repair.objects.filter(job=run.job, client_id=number).select_related("job").first()
    if repair is None:
        raise NotPossible("The repair that this checks is not stored. Send that first.")
    form = VerificationForm(fields, points=points(flow_of(run.revision).verify))
    _checked(form)
    data = form.cleaned_data
    repairing.verify_repair(
        repair, Verification.Cured(data["cured"]), how=data["how"], by=by, at=timezone.now(),
        client_id=data["client_id"], device_at=_noted(item),
    )  # fmt: skip


def _finding(item: Mapping[str, Any], fields: Fields, by: User) -> None:
    run, form = _run(item), FindingForm(fields)
    _checked(form)
    data = form.cleaned_data
    noting.note_finding(
        run.job, data["words"], by=by, at=timezone.now(), client_id=data["client_id"], device_at=_noted(item)
    )


def _hand_over(item: Mapping[str, Any], fields: Fields, by: User) -> None:
    run_state: RunState = run_state_of(_run(item).pk)
    form = HandOverForm(fields, people=User.objects.filter(is_active=True).exclude(pk=by.pk))
    _checked(form)
    data = form.cleaned_data
    note = handing_over.HandOverNote(
        reason=data["reason"], client_id=data["client_id"], step=run_state.walk.current,
        off_vehicle=data["off_vehicle"], excluded=data["excluded"], note=data["note"],
    )  # fmt: skip
    handing_over.hand_over(run_state.run, data["receiver"], note, by=by, at=timezone.now(), device_at=_noted(item))


def _noted(item: Mapping[str, Any]) -> datetime | None:
    """When the device says that it was filled in."""
    return device_time(str(item.get("at", "")))


def _run(item: Mapping[str, Any]) -> Run:
    said, runs = str(item.get("run", "")), Run.objects.select_related("job", "revision__procedure")
    if begun := _id(said):
        found = runs.filter(client_id=begun).first()
        if found is None:
            raise NotPossible("The procedure that this belongs to is not stored as begun. Send that first.")
        return found
    return get_object_or_404(runs, pk=row_number(said) or 0)


_KINDS: Mapping[str, Callable[[Mapping[str, Any], Fields, User], None]] = {
    "intake": _intake, "start": _start, "finding": _finding, "repair": _repair, "verify": _verify,
    "hand-over": _hand_over,
}  # fmt: skip
