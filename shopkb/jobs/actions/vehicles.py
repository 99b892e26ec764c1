"""The one door that writes vehicles: at the counter, for a job, and from a list of the office.

Vehicles are told apart by their registration, however blanks and hyphens are written. What is known of one is made more
exact and never taken away.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import islice

from django.db import transaction

from shopkb.accounts import audit
from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog import trees
from shopkb.catalog.models import Platform
from shopkb.catalog.platform_names import platform_name
from shopkb.core.identifiers import is_within
from shopkb.jobs.models import Vehicle
from shopkb.jobs.registrations import bare, bare_registration, normal_registration

CHUNK = 200
"""Vehicles of a list that are stored in one transaction: nobody waits long for it."""


@dataclass(frozen=True, slots=True)
class VehicleDetails:
    """What is said of a vehicle. ``vin`` is checked; what is empty is not said."""

    registration: str
    platform: Platform | None = None
    vin: str = ""
    year: int | None = None
    customer_reference: str = ""


@dataclass(frozen=True, slots=True)
class ListedVehicle:
    """One line of a list: its number in the file, and what it says. ``otherwise`` is what a new vehicle is taken for
    where the line does not name its kind."""

    line: int
    said: VehicleDetails
    otherwise: Platform | None = None

    @property
    def platform(self) -> Platform | None:
        return self.said.platform or self.otherwise


class Became(StrEnum):
    """What becomes of a line of a list."""

    NEW = "new"
    CHANGED = "changed"
    SAME = "as it is already"
    WRONG = "wrong"


@dataclass(frozen=True, slots=True)
class Outcome:
    """``words`` say what changes, or what is wrong and what would be right."""

    line: int
    became: Became
    words: str = ""


@dataclass
class _Earlier:
    """What earlier lines of the same list said, by registration as it is compared, and by VIN."""

    lines: dict[str, ListedVehicle] = field(default_factory=dict)
    vins: dict[str, ListedVehicle] = field(default_factory=dict)


def outcomes_of(listed: Iterable[ListedVehicle]) -> Iterator[tuple[Outcome, ...]]:
    """What would become of the lines, a chunk at a time; nothing is written. Two queries for each chunk."""
    earlier, coming = _Earlier(), iter(listed)
    while chunk := list(islice(coming, CHUNK)):
        there = _Known.of(chunk)
        yield tuple(_judged(one, there, earlier) for one in chunk)


def store_listed(listed: Sequence[ListedVehicle], *, by: User, source: str) -> Iterator[tuple[Outcome, ...]]:
    """Store the lines, a chunk at a time in a transaction of its own, and say what became of each. A wrong line is left
    out. The same list a second time changes nothing. Who read ``source`` in is noted, also where it was broken off.

    Raises:
        PermissionDenied: ``by`` may not read vehicles in.
    """
    require(by, Right.VEHICLES)
    earlier, coming, done = _Earlier(), iter(listed), dict.fromkeys(Became, 0)
    try:
        while chunk := list(islice(coming, CHUNK)):
            outcomes = _store(chunk, earlier)
            for outcome in outcomes:
                done[outcome.became] += 1
            yield outcomes
    finally:
        told = ", ".join(f"{number} {became.value}" for became, number in done.items() if number)
        audit.note(audit.Action.VEHICLES, f"{source[:150]}: {told or 'nothing'}", by=by)


@transaction.atomic
def _store(chunk: Sequence[ListedVehicle], earlier: _Earlier) -> tuple[Outcome, ...]:
    there = _Known.of(chunk, lock=True)
    outcomes = []
    for one in chunk:
        outcome = _judged(one, there, earlier)
        if outcome.became in (Became.NEW, Became.CHANGED):
            vehicle = there.vehicle(one.said)
            if vehicle is None:
                there.add(_made(one.said, one.platform or any_vehicle()))
            else:
                bring_up_to_date(vehicle, _more_exact(vehicle, one.said))
        outcomes.append(outcome)
    return tuple(outcomes)


@dataclass(frozen=True)
class _Known:
    """The vehicles that lines may mean: by registration as it is compared, and who has a VIN."""

    vehicles: dict[str, Vehicle]
    so_written: dict[str, Vehicle]
    vins: dict[str, str]

    @classmethod
    def of(cls, chunk: Sequence[ListedVehicle], *, lock: bool = False) -> _Known:
        rows = Vehicle.objects.select_related("platform")
        rows = rows.select_for_update(of=("self",)) if lock else rows
        plates = {bare_registration(one.said.registration) for one in chunk}
        found = list(rows.alias(bare=bare("registration")).filter(bare__in=plates).order_by("pk"))
        vins = {one.said.vin for one in chunk if one.said.vin}
        holders = Vehicle.objects.filter(vin__in=vins).order_by("pk").values_list("vin", "registration")
        return cls(
            {bare_registration(vehicle.registration): vehicle for vehicle in found},
            {vehicle.registration: vehicle for vehicle in found},
            dict(holders),
        )

    def vehicle(self, said: VehicleDetails) -> Vehicle | None:
        """As the counter finds it: first the one that is written so, then the newest."""
        written = self.so_written.get(normal_registration(said.registration))
        return written or self.vehicles.get(bare_registration(said.registration))

    def add(self, vehicle: Vehicle) -> None:
        self.vehicles[bare_registration(vehicle.registration)] = vehicle
        self.so_written[vehicle.registration] = vehicle


def _judged(one: ListedVehicle, there: _Known, earlier: _Earlier) -> Outcome:
    """What becomes of a line; it is remembered for the lines after it unless it is wrong."""
    said, plate = one.said, bare_registration(one.said.registration)
    vehicle = there.vehicle(said)
    if wrong := _against_list(one, earlier) or _against_record(one, vehicle, there):
        return Outcome(one.line, Became.WRONG, wrong)
    again = earlier.lines.setdefault(plate, one) is not one
    if said.vin:
        earlier.vins.setdefault(said.vin, one)
    if again:
        return Outcome(one.line, Became.SAME, f"Line {earlier.lines[plate].line} said it.")
    if vehicle is None:
        return Outcome(one.line, Became.NEW)
    changes = ", ".join(_changes(vehicle, said))
    return Outcome(one.line, Became.CHANGED if changes else Became.SAME, changes)


def _against_list(one: ListedVehicle, earlier: _Earlier) -> str:
    said = one.said
    before = earlier.lines.get(bare_registration(said.registration))
    if before is not None and not _says_no_more(said, before.said):
        return (
            f"Line {before.line} says something else of {normal_registration(said.registration)}. "
            "Keep one line for each vehicle."
        )
    holder = earlier.vins.get(said.vin) if said.vin else None
    if before is None and holder is not None:
        return f"Line {holder.line} gives {holder.said.registration} the same VIN. Look which vehicle has it."
    return ""


def _says_no_more(said: VehicleDetails, before: VehicleDetails) -> bool:
    told = ((said.platform, before.platform), (said.vin, before.vin), (said.year, before.year))
    told = (*told, (said.customer_reference, before.customer_reference))  # type: ignore[assignment]
    return all(not now or now == then for now, then in told)


def _against_record(one: ListedVehicle, vehicle: Vehicle | None, there: _Known) -> str:
    said = one.said
    if vehicle is not None and (found := list(differences(vehicle, said))):
        return f"{vehicle} is here already, and {' and '.join(found)}. Look at the vehicle, and book it in as it is."
    holder = there.vins.get(said.vin) if said.vin and (vehicle is None or vehicle.vin != said.vin) else None
    if holder is not None:
        return f"{holder} has this VIN already. If the vehicle carries another plate now, book it in with that."
    if vehicle is None and one.platform is None:
        return "It is not said what vehicle it is. Name it in the list, or choose one for all such lines."
    return ""


def _changes(vehicle: Vehicle, said: VehicleDetails) -> Iterator[str]:
    if said.vin and not vehicle.vin:
        yield f"VIN {said.vin}"
    if said.year and not vehicle.year:
        yield f"year {said.year}"
    if (platform := _more_exact(vehicle, said).platform) is not None:
        yield platform_name(platform.path)
    reference = said.customer_reference
    if reference and reference != vehicle.customer_reference:
        yield f"reference {reference}" + (f", was {vehicle.customer_reference}" if vehicle.customer_reference else "")


def _more_exact(vehicle: Vehicle, said: VehicleDetails) -> VehicleDetails:
    """Without a kind of vehicle that says no more than what is known: the list of an office names makes where the
    counter knows the engine."""
    below = said.platform is not None and is_within(said.platform.path, vehicle.platform.path)
    more = below and said.platform != vehicle.platform
    return said if more else replace(said, platform=None)


def locked_vehicle(said: VehicleDetails, platform: Platform) -> Vehicle:
    """The vehicle that carries the registration, written as it was the first time; made where nobody did, of
    ``platform``; one intake after the other. Inside a transaction."""
    vehicle = Vehicle.objects.carrying(said.registration).first()
    return _made(said, platform) if vehicle is None else _locked(vehicle)


def _made(said: VehicleDetails, platform: Platform) -> Vehicle:
    """A vehicle that nobody has found; the one that somebody else made meanwhile, if so."""
    vehicle, made = Vehicle.objects.get_or_create(
        registration=normal_registration(said.registration),
        defaults={
            "platform": platform, "vin": said.vin, "year": said.year, "customer_reference": said.customer_reference,
        },
    )  # fmt: skip
    return vehicle if made else _locked(vehicle)


def _locked(vehicle: Vehicle) -> Vehicle:
    return Vehicle.objects.select_for_update(of=("self",)).select_related("platform").get(pk=vehicle.pk)


def bring_up_to_date(vehicle: Vehicle, said: VehicleDetails) -> None:
    """Store what is said; what is not said stays."""
    vehicle.platform = said.platform or vehicle.platform
    vehicle.vin = said.vin or vehicle.vin
    vehicle.year = said.year or vehicle.year
    vehicle.customer_reference = said.customer_reference or vehicle.customer_reference
    vehicle.save()


def differences(vehicle: Vehicle, said: VehicleDetails) -> Iterator[str]:
    """What cannot be of one vehicle, as clauses. What was not said, or is now said more exactly, is no difference."""
    if said.vin and vehicle.vin and said.vin != vehicle.vin:
        yield f"its VIN was {vehicle.vin}, not {said.vin}"
    if said.year and vehicle.year and said.year != vehicle.year:
        yield f"it was of {vehicle.year}, not {said.year}"
    if said.platform is None:
        return
    paths = vehicle.platform.path, said.platform.path
    if not (is_within(*paths) or is_within(*reversed(paths))):
        yield f"it was a {platform_name(vehicle.platform.path)}, not a {platform_name(said.platform.path)}"


def any_vehicle() -> Platform:
    """The first kind of vehicle that a shop has; one that says nothing is made where it has none, so that nobody waits
    at the counter for whoever keeps the catalog."""
    return Platform.objects.order_by("tree_id", "lft").first() or trees.add(Platform, key="vehicle", name="Vehicle")
