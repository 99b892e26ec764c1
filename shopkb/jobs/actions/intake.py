"""The one door for opening a job, and for linking it as a comeback of an earlier one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.text import Truncator

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Platform, Symptom
from shopkb.evidence.learning import learn
from shopkb.jobs.actions.vehicles import VehicleDetails, bring_up_to_date, differences, locked_vehicle
from shopkb.jobs.closed_jobs import case_of
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.idempotence import stored_before
from shopkb.jobs.log.event_log import log_text_on_job
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.models import Job, Vehicle
from shopkb.jobs.registrations import bare_registration
from shopkb.jobs.vehicle_history import related
from shopkb.web.mileage import mileage_text


@dataclass(frozen=True, slots=True)
class Intake:
    """What is taken down when a vehicle comes in. ``codes`` are in their standard form; ``odometer`` is in km.

    ``surely`` says that all of it is right although something does not fit what is known of the vehicle;
    ``doubts_shown`` is the digest of the doubts that were on the page then, ``None`` where no page asked.
    """

    registration: str
    platform: Platform
    complaint: str
    client_id: UUID
    vin: str = ""
    year: int | None = None
    circumstances: str = ""
    symptom: Symptom | None = None
    codes: Sequence[str] = ()
    odometer: int | None = None
    complaint_verified: Job.Verified = Job.Verified.NOT_YET
    comeback_of: Job | None = None
    surely: bool = False
    doubts_shown: str | None = None


class IntakeDoubted(NotPossible):
    """Something does not fit what is known of the vehicle: a slip of the pen, or worth a second look.

    ``digest`` tells these doubts from others: saying that all is right answers those that were shown.
    """

    def __init__(self, sentence: str, digest: str) -> None:
        super().__init__(sentence)
        self.digest = digest


@transaction.atomic
def open_job(intake: Intake, *, by: User, at: datetime, device_at: datetime | None = None) -> Job:
    """Open a job. The same client id twice is one job. ``device_at``: when the device says that it was booked in, if it
    was kept there.

    A comeback takes back the success that the earlier job had claimed.

    Raises:
        NotPossible: the earlier job is not closed, belongs to another vehicle, or the complaint is not said.
        IntakeDoubted: what was taken down does not fit what is known, and nobody said that it is right.
        IdempotencyConflict: the client id was used for another job.
    """
    require(by, Right.WORK)
    if not bare_registration(intake.registration):
        raise NotPossible("Write the registration: it is how the vehicle is found again.")
    if not intake.complaint.strip():
        raise NotPossible("Write the complaint in the customer's words.")
    said = VehicleDetails(intake.registration, intake.platform, intake.vin, intake.year)
    vehicle = locked_vehicle(said, intake.platform)
    before = stored_before(
        Job.objects.all(),
        intake.client_id,
        lambda row: (row.vehicle_id, row.complaint) == (vehicle.pk, intake.complaint.strip()),
        "Another job was opened with this. Reload the page and take the vehicle in again.",
    )
    if before is not None:
        return before
    earlier = _earlier(intake.comeback_of, vehicle) if intake.comeback_of else None
    doubts = _answered_doubts(vehicle, said, intake, earlier)
    bring_up_to_date(vehicle, said)
    case_before = case_of(earlier) if earlier else None
    job = Job.objects.create(
        vehicle=vehicle,
        platform=intake.platform,
        vin=vehicle.vin,
        year=vehicle.year,
        complaint=intake.complaint.strip(),
        circumstances=intake.circumstances.strip(),
        symptom=intake.symptom,
        codes=list(intake.codes),
        odometer=intake.odometer,
        complaint_verified=intake.complaint_verified,
        comeback_of=earlier,
        opened_by=by,
        opened_at=at,
        client_id=intake.client_id,
    )
    if device_at:
        log_text_on_job(job.pk, Kind.BOOKED, "", by=by, at=at, device_at=device_at)
    if doubts:
        log_text_on_job(job.pk, Kind.CONFIRMED, " ".join(doubts), by=by, at=at)
    if earlier:
        learn(case_before, case_of(earlier))
    return job


@transaction.atomic
def not_a_comeback(job: Job, *, by: User, at: datetime) -> None:
    """Take back that a job is a comeback: the earlier one counts as it did before.

    Raises:
        NotPossible: the job is closed, or is not a comeback.
    """
    require(by, Right.WORK)
    locked = Job.objects.select_for_update(of=("self",)).get(pk=job.pk)
    if not locked.is_open:
        raise NotPossible(f"{locked} is closed; reopen it to change what was taken down.")
    if locked.comeback_of_id is None:
        raise NotPossible(f"{locked} is not a comeback of another job.")
    earlier = Job.objects.select_for_update(of=("self",)).get(pk=locked.comeback_of_id)
    case_before = case_of(earlier)
    locked.comeback_of = None
    locked.save(update_fields=["comeback_of"])
    log_text_on_job(locked.pk, Kind.NOT_BACK, f"Was a comeback of job {earlier.pk}.", by=by, at=at)
    learn(case_before, case_of(earlier))


@transaction.atomic
def note_complaint(job: Job, verified: Job.Verified, *, by: User) -> None:
    """Store whether the complaint could be reproduced."""
    require(by, Right.WORK)
    locked = Job.objects.select_for_update(of=("self",)).get(pk=job.pk)
    if not locked.is_open:
        raise NotPossible(f"{locked} is closed; reopen it to change what was taken down.")
    locked.complaint_verified = verified
    locked.save(update_fields=["complaint_verified"])


def _answered_doubts(vehicle: Vehicle, said: VehicleDetails, intake: Intake, earlier: Job | None) -> list[str]:
    """What does not fit, all of it said to be right by whoever saw it.

    Raises:
        IntakeDoubted: nobody said so, or something else was shown then.
    """
    doubts = list(_doubts(vehicle, said, intake, earlier))
    if doubts and not (intake.surely and intake.doubts_shown in (None, _digest(doubts))):
        raise IntakeDoubted(
            f"{' '.join(doubts)} If all that you typed is right, tick this box: earlier jobs keep what they say.",
            _digest(doubts),
        )
    return doubts


def _digest(doubts: Sequence[str]) -> str:
    return sha256("\n".join(doubts).encode()).hexdigest()[:16]


def _doubts(vehicle: Vehicle, said: VehicleDetails, intake: Intake, earlier: Job | None) -> Iterator[str]:
    """What does not fit what is known of the vehicle, a sentence or two each. Two queries."""
    found = list(differences(vehicle, said))
    if found:
        yield (f"When {vehicle} was here before, {' and '.join(found)}. Look at the plate and at the vehicle.")
    yield from _less_mileage(vehicle, intake)
    for still_open in vehicle.jobs.open().order_by("pk")[:1]:
        complaint = Truncator(still_open.complaint).chars(60)
        yield f'{still_open} of {vehicle} is still open ("{complaint}"). Go on there if it is the same visit.'
    if earlier and earlier.symptom and intake.symptom and not related(earlier.symptom, intake.symptom):
        yield (
            f"{earlier} was for another complaint: {earlier.symptom}, not {intake.symptom}. Only the same fault "
            "again is a comeback."
        )


def _less_mileage(vehicle: Vehicle, intake: Intake) -> Iterator[str]:
    if intake.odometer is None:
        return
    last = vehicle.jobs.filter(odometer__isnull=False).order_by("-opened_at", "-pk").first()
    if last is not None and last.odometer is not None and intake.odometer < last.odometer:
        day = date_format(timezone.localtime(last.opened_at))
        yield (f"On {day} its mileage was {mileage_text(last.odometer)}; {mileage_text(intake.odometer)} is less.")


def _earlier(earlier: Job, vehicle: Vehicle) -> Job:
    locked = Job.objects.select_for_update(of=("self",)).get(pk=earlier.pk)
    if locked.is_open:
        raise NotPossible(f"{locked} is still open: go on there instead of opening a comeback.")
    if locked.vehicle_id != vehicle.pk:
        raise NotPossible(f"{locked} was another vehicle ({locked.vehicle}); a comeback is the same vehicle again.")
    return locked
