"""Who read a job: one row for each person, job and day, noted when a page of it is opened and counted for a keeper.

Whoever follows a procedure on the job stands in its event log anyway; here they stand as everybody does.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from typing import Any
from weakref import WeakKeyDictionary

from django.core.cache import cache
from django.db import DatabaseError
from django.db.models import Count, Max, Min, Model
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from shopkb.jobs.models import Finding, HandOver, Job, JobReading, Photo, Repair, Run, Vehicle

View = Callable[[HttpRequest], HttpResponse]

OF_JOB = frozenset(
    {
        "jobs:job",
        "jobs:write-up",
        "jobs:technical",
        "jobs:paper",
        "jobs:repair",
        "jobs:note-finding",
        "jobs:add-photo",
        "jobs:label",
    }
)
OF_RUN = frozenset({
    "jobs:run", "jobs:step", "jobs:more", "jobs:chart", "jobs:pack-step", "jobs:hand-over", "jobs:pack-repair",
    "jobs:pack-verify", "jobs:pack-finding", "jobs:pack-end",
})  # fmt: skip
KINDS = {
    **dict.fromkeys(OF_JOB, "job"),
    **dict.fromkeys(OF_RUN, "run"),
    "jobs:verify": "repair",
    "jobs:finding": "finding",
    "jobs:accept": "hand-over",
    "jobs:photo": "photo",
    "jobs:known": "known",
    "reports:vehicle": "vehicle",
}
"""Pages that show a job, and what their address names; the list of jobs and the vehicles a device takes along hold
nothing that was done."""
A_DAY = 24 * 60 * 60


@dataclass(frozen=True, slots=True)
class Reader:
    """How much of a vehicle's jobs one person read, and from when to when."""

    who: str
    jobs: int
    days: int
    first: date
    last: date


_shown: WeakKeyDictionary[HttpRequest, int] = WeakKeyDictionary()


def shows_vehicle(request: HttpRequest, vehicle: int | None) -> None:
    """Say which vehicle the answer to a request shows, where its address does not: its jobs count as read."""
    if vehicle is not None:
        _shown[request] = vehicle


def note_readings(get_response: View) -> View:
    """The middleware that notes who opened a job. One look into the cache; once a day and job, one row."""

    def answer(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        if response.status_code == 200 and request.method == "GET" and request.resolver_match is not None:
            _note(request)
        return response

    return answer


def _note(request: HttpRequest) -> None:
    match, person = request.resolver_match, request.user.pk
    kind = KINDS.get(match.view_name, "") if match is not None else ""
    if match is None or not kind or person is None:
        return
    which, today = _named(kind, request, match.kwargs), timezone.localdate()
    noted = f"read-{person}-{kind}-{sha256(str(which).encode()).hexdigest()}-{today}"
    if not cache.add(noted, True, A_DAY):
        return
    try:
        readings = [JobReading(job_id=job, who_id=person, day=today) for job in _jobs_of(request, kind, which)]
        JobReading.objects.bulk_create(readings, ignore_conflicts=True)
    except DatabaseError:  # the page is there to be read all the same
        cache.delete(noted)
        logging.getLogger(__name__).warning("It could not be noted that a job was read.")


def _named(kind: str, request: HttpRequest, given: dict[str, Any]) -> Any:
    """What the address names: a number, the name of a photo, or the registration and VIN that were typed."""
    if kind == "known":
        return request.GET.get("registration", "")[:40], request.GET.get("vin", "")[:40]
    return given["name"] if kind == "photo" else int(given["pk"])


def _jobs_of(request: HttpRequest, kind: str, which: Any) -> list[int]:
    """The jobs that a page of this kind shows, by number. One query."""
    if kind == "job":
        return [which]
    if kind in ("known", "vehicle"):
        vehicle = which if kind == "vehicle" else _shown.get(request)
        return list(Job.objects.filter(vehicle=vehicle).values_list("pk", flat=True)) if vehicle else []
    model, field, job = _ROWS[kind]
    return list(model._default_manager.filter(**{field: which}).values_list(job, flat=True)[:1])


_ROWS: Mapping[str, tuple[type[Model], str, str]] = {
    "run": (Run, "pk", "job_id"),
    "repair": (Repair, "pk", "job_id"),
    "finding": (Finding, "pk", "job_id"),
    "hand-over": (HandOver, "pk", "run__job_id"),
    "photo": (Photo, "name", "job_id"),
}
"""Rows that an address names: their model, the field it names them by, and the way to the job."""


def readers_of(registration: str) -> list[Reader]:
    """Everybody who read a job of this vehicle, who read most first. One query."""
    rows = (
        JobReading.objects.filter(job__vehicle__in=Vehicle.objects.carrying(registration).order_by().values("pk"))
        .values("who__username")
        .annotate(jobs=Count("job", distinct=True), days=Count("day", distinct=True), first=Min("day"), last=Max("day"))
        .order_by("-jobs", "-days", "who__username")
    )
    return [Reader(row["who__username"], row["jobs"], row["days"], row["first"], row["last"]) for row in rows]
