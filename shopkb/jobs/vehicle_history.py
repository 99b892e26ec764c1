"""What the shop knows of a vehicle when it comes in: its jobs, what was wrong, and whether it may be a comeback."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.db.models import Prefetch

from shopkb.catalog.models import Symptom
from shopkb.core.identifiers import is_within
from shopkb.jobs.models import Finding, Job, Repair, Settlement, Vehicle, Verification, latest_cured

LATEST = 5
"""Earlier jobs shown when a vehicle is booked in."""

SUCCESSES = (Job.Disposition.CURED, Job.Disposition.NOT_CHECKED)
"""Ends of a job whose repair may not have lasted."""


LEFT = (Settlement.How.ADVISED, Settlement.How.DECLINED)
"""What became of another fault that is still on the vehicle."""


@dataclass(frozen=True, slots=True)
class EarlierJob:
    """One earlier job of a vehicle. ``causes`` are those repaired, in words, with what was put right in vain."""

    job: Job
    causes: tuple[str, ...]
    may_be_back: bool


@dataclass(frozen=True, slots=True)
class KnownVehicle:
    """A vehicle that was here before, with its jobs, the newest first."""

    vehicle: Vehicle
    jobs: tuple[EarlierJob, ...]

    @property
    def latest(self) -> tuple[EarlierJob, ...]:
        return self.jobs[:LATEST]

    @property
    def open(self) -> tuple[EarlierJob, ...]:
        return tuple(each for each in self.jobs if each.job.is_open)

    @property
    def may_be_back(self) -> tuple[EarlierJob, ...]:
        """Jobs whose repair may not have lasted."""
        return tuple(each for each in self.jobs if each.may_be_back)

    def choices(self, chosen: str) -> tuple[EarlierJob, ...]:
        """What a person may say has come back: those, and a closed job already ``chosen`` (its number), however old."""
        return tuple(
            each for each in self.jobs if each.may_be_back or (not each.job.is_open and str(each.job.pk) == chosen)
        )

    @property
    def last_mileage(self) -> Job | None:
        """The latest job that has a mileage."""
        return next((each.job for each in self.jobs if each.job.odometer is not None), None)


def known_vehicle(registration: str, vin: str, *, at: datetime, symptom: Symptom | None = None) -> KnownVehicle | None:
    """The vehicle that carries this registration, whatever blanks and hyphens it is written with, or, failing that,
    this VIN. At most five queries.

    With a ``symptom`` only jobs of the same or a related one may have come back: see :func:`related`.
    """
    rows = Vehicle.objects.select_related("platform")
    vehicle = rows.carrying(registration).first()
    if vehicle is None and vin:
        vehicle = rows.filter(vin=vin).order_by("-pk").first()
    if vehicle is None:
        return None
    return KnownVehicle(vehicle, earlier_jobs(vehicle, at=at, symptom=symptom))


def earlier_jobs(vehicle: Vehicle, *, at: datetime, symptom: Symptom | None = None) -> tuple[EarlierJob, ...]:
    """All jobs of a vehicle, the newest first. Three queries."""
    repairs = Repair.objects.select_related("cause__component").annotate(verdict=latest_cured()).order_by("pk")
    jobs = vehicle.jobs.select_related("symptom__system", "platform", "opened_by").prefetch_related(
        Prefetch("repairs", repairs), "comebacks"
    )
    return tuple(
        EarlierJob(
            job,
            tuple(dict.fromkeys(_told(repair) for repair in job.repairs.all())),
            _may_be_back(job, at, symptom),
        )
        for job in jobs.order_by("-opened_at", "-pk")
    )


def _told(repair: Repair) -> str:
    """Its cause; one that was put right in vain says so. ``verdict``: of its latest check."""
    in_vain = getattr(repair, "verdict", None) == Verification.Cured.NO
    return f"{repair.cause}, not cured" if in_vain else str(repair.cause)


def left_on(vehicle: Vehicle) -> list[Finding]:
    """Other faults of its closed jobs that the customer was advised of or declined, the newest first. Two queries."""
    closed = Finding.objects.filter(job__vehicle=vehicle, job__state=Job.State.CLOSED)
    rows = closed.prefetch_related("settlements").order_by("-pk")[:LATEST]
    return [finding for finding in rows if finding.settled is not None and finding.settled.how in LEFT]


def related(one: Symptom, other: Symptom) -> bool:
    """Whether two symptoms may be of one fault: the same, or of one system or of a part of it."""
    if one.pk == other.pk:
        return True
    if one.system is None or other.system is None:
        return False
    paths = one.system.path, other.system.path
    return is_within(*paths) or is_within(*reversed(paths))


def _may_be_back(job: Job, at: datetime, symptom: Symptom | None) -> bool:
    if job.closed_at is None or job.disposition not in SUCCESSES or job.comebacks.all():
        return False
    if at - job.closed_at > timedelta(days=settings.COMEBACK_DAYS):
        return False
    return symptom is None or job.symptom is None or related(job.symptom, symptom)
