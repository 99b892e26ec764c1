"""Who read a job: one row for each person, job and day, noted when a page of it is opened and counted for a keeper.

Whoever follows a procedure on the job stands in its event log anyway; here they stand as everybody does.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from django.core.cache import cache
from django.db import DatabaseError
from django.db.models import Count, Max, Min
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from shopkb.jobs.models import Job, JobReading, Photo, Run

View = Callable[[HttpRequest], HttpResponse]

OF_JOB = frozenset({"jobs:job", "jobs:write-up", "jobs:technical", "jobs:repair"})
OF_RUN = frozenset({"jobs:run", "jobs:step", "jobs:more", "jobs:chart", "jobs:pack-step", "jobs:hand-over"})
OF_VEHICLE = "reports:vehicle"
OF_PHOTO = "jobs:photo"
A_DAY = 24 * 60 * 60


@dataclass(frozen=True, slots=True)
class Reader:
    """How much of a vehicle's jobs one person read, and from when to when."""

    who: str
    jobs: int
    days: int
    first: date
    last: date


def note_readings(get_response: View) -> View:
    """The middleware that notes who opened a job. One look into the cache; once a day and job, one row."""

    def answer(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        if response.status_code == 200 and request.method == "GET" and request.resolver_match is not None:
            _note(request)
        return response

    return answer


def _note(request: HttpRequest) -> None:
    match = request.resolver_match
    place = match.view_name if match is not None else ""
    if match is None or not (place in OF_JOB or place in OF_RUN or place in (OF_PHOTO, OF_VEHICLE)):
        return
    person = request.user.pk
    if person is None:
        return
    kind = "job" if place in OF_JOB else "run" if place in OF_RUN else place.partition(":")[2]
    which, today = match.kwargs.get("pk") or match.kwargs["name"], timezone.localdate()
    noted = f"read-{person}-{kind}-{which}-{today}"
    if not cache.add(noted, True, A_DAY):
        return
    try:
        readings = [JobReading(job_id=job, who_id=person, day=today) for job in _jobs_of(kind, which)]
        JobReading.objects.bulk_create(readings, ignore_conflicts=True)
    except DatabaseError:  # the page is there to be read all the same
        cache.delete(noted)
        logging.getLogger(__name__).warning("It could not be noted that a job was read.")


def _jobs_of(kind: str, which: int | str) -> list[int]:
    """The jobs that a page of this kind shows, by number."""
    if kind == "job":
        return [int(which)]
    if kind == "vehicle":
        return list(Job.objects.filter(vehicle=int(which)).values_list("pk", flat=True))
    rows = Run.objects.filter(pk=which) if kind == "run" else Photo.objects.filter(name=which)
    return list(rows.values_list("job_id", flat=True)[:1])


def readers_of(registration: str) -> list[Reader]:
    """Everybody who read a job of this vehicle, who read most first. One query."""
    rows = (
        JobReading.objects.filter(job__vehicle__registration__iexact=registration)
        .values("who__username")
        .annotate(jobs=Count("job", distinct=True), days=Count("day", distinct=True), first=Min("day"), last=Max("day"))
        .order_by("-jobs", "-days", "who__username")
    )
    return [Reader(row["who__username"], row["jobs"], row["days"], row["first"], row["last"]) for row in rows]
