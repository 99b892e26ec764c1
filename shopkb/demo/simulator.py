"""Closed jobs of an invented shop, drawn from a hidden truth: the same seed gives the same jobs.

Pure: randomness comes from the generator given, and the period from the moments given. Memory does not grow with the
number of jobs but for their times of arrival and the comebacks still to come.
"""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from shopkb.core.flow.model import Flow
from shopkb.demo.nature import Nature, choose
from shopkb.demo.past_jobs import PastJob
from shopkb.demo.truth import Circumstances, ProcedureTruth, Technician, Truth, VehicleTruth, cause_weights, comes_in
from shopkb.demo.visit import CLOSES, OPENS, Clock, Visit, VisitEnd

KM_A_DAY = 45
DAY = 24 * 60


@dataclass(frozen=True, slots=True)
class Simulated:
    """A closed job and what only the truth knows: the identity of its cause (empty: nothing was wrong), whether a
    wrong cause was claimed, and whether it comes back. ``earlier`` holds procedures that were followed in an edition
    before the one in force now."""

    past: PastJob
    cause: str
    wrong: bool = False
    comes_back: bool = False
    earlier: Mapping[str, Flow] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Arrival:
    at: datetime
    procedure: str
    vehicle: VehicleTruth
    cause: str
    comeback_of: PastJob | None = None


@dataclass(eq=False)
class ShopSimulator:
    """The simulated shop between two moments.

    ``flows`` are the procedures as in force at the end. ``earlier`` gives the edition before, by key, with the share of
    the period until which it was in force. ``access`` gives the minutes each set-up state costs to reach, ``dangers``
    the keys of cautions that are a DANGER.
    """

    truth: Truth
    flows: Mapping[str, Flow]
    rng: np.random.Generator
    since: datetime
    until: datetime
    access: Mapping[str, float] = field(default_factory=dict)
    dangers: Collection[str] = ()
    earlier: Mapping[str, tuple[Flow, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.natures = {key: Nature(flow, self.truth.of(flow)) for key, flow in self.flows.items()}
        self._before = {key: Nature(flow, self.truth.of(flow)) for key, (flow, _until) in self.earlier.items()}
        self.people = {person.name: person for person in self.truth.technicians}

    def jobs(self, count: int) -> Iterator[Simulated]:
        """About ``count`` jobs in the order in which they were opened; comebacks come on top.

        A job that would not be closed by ``until`` is left out.
        """
        waiting: list[tuple[datetime, int, _Arrival]] = []
        for number, minute in enumerate(arrival_minutes(self.rng, self._days, count, self.truth.shop.growth)):
            at = self._midnight + timedelta(minutes=int(minute))
            while waiting and waiting[0][0] <= at:
                yield from self._visit(heapq.heappop(waiting)[2], waiting, number)
            yield from self._visit(self._arrival(at), waiting, number)
        while waiting:
            yield from self._visit(heapq.heappop(waiting)[2], waiting, count)

    @property
    def _midnight(self) -> datetime:
        return self.since.replace(hour=0, minute=0, second=0, microsecond=0)

    @property
    def _days(self) -> int:
        """Whole days of arrivals; the last two are left for finishing."""
        return max(1, (self.until - self.since).days - 2)

    def gone(self, at: datetime) -> float:
        """How far the period is gone, 0 to 1."""
        return min(1.0, max(0.0, (at - self.since) / (self.until - self.since)))

    def superseded(self, at: datetime) -> frozenset[str]:
        """Procedures whose edition before was in force then."""
        gone = self.gone(at)
        return frozenset(key for key, (_flow, until) in self.earlier.items() if gone < until)

    def _arrival(self, at: datetime) -> _Arrival:
        key = choose(self.rng, {key: nature.spec.share for key, nature in self.natures.items()})
        nature = self.natures[key]
        fitting = [vehicle for vehicle in self.truth.vehicles if comes_in(nature.spec, nature.flow, vehicle.platform)]
        vehicle = fitting[int(self.rng.integers(len(fitting)))]
        if self._happens(self.truth.shop.complaint_absent):
            return _Arrival(at, key, vehicle, "")
        weights = cause_weights(nature.spec, nature.flow, Circumstances(vehicle.platform, self.gone(at)))
        return _Arrival(at, key, vehicle, choose(self.rng, weights))

    def _visit(
        self, arrival: _Arrival, waiting: list[tuple[datetime, int, _Arrival]], number: int
    ) -> Iterator[Simulated]:
        who = self.people[choose(self.rng, {person.name: person.share for person in self.truth.technicians})]
        clock = Clock(arrival.at)
        early, late = self.truth.shop.learning
        error = early + (late - early) * self.gone(arrival.at)
        old = self.superseded(arrival.at)
        natures = self.natures | {key: self._before[key] for key in old} if old else self.natures
        visit = Visit(
            self.rng, self.truth, natures, arrival.cause, who, clock, self.access, error, self.dangers,
            arrival.vehicle.platform,
        )  # fmt: skip
        clock.work(float(self.rng.uniform(3, 25)))
        visit.begin(arrival.procedure)
        ending = visit.diagnose() if arrival.cause else self._nothing_found(visit)
        closed = clock.work(float(self.rng.uniform(2, 20)))
        if closed > self.until:
            return
        past = self._past(arrival, visit, ending, closed)
        comes_back = self._comes_back(ending)
        if comes_back:
            again = self._again(arrival, past)
            comes_back = again.at < self.until - timedelta(days=1)
            if comes_back:
                heapq.heappush(waiting, (again.at, number, again))
        earlier = {key: self.earlier[key][0] for key in old}
        yield Simulated(past, arrival.cause, ending.wrong, comes_back, earlier)

    def _nothing_found(self, visit: Visit) -> VisitEnd:
        absent = visit.leg.nature.spec.absent
        if absent is not None and absent.step == visit.flow.start:
            visit.give(visit.flow.step_by_key[absent.step], absent.outcome)
        return VisitEnd("not-present", note="Complaint could not be brought about. Driver told what to watch.")

    def _comes_back(self, ending: VisitEnd) -> bool:
        shop = self.truth.shop
        rate = shop.comeback_after_false_cure if ending.wrong else shop.comeback_after_cure
        return ending.disposition == "cured" and self._happens(rate)

    def _again(self, arrival: _Arrival, past: PastJob) -> _Arrival:
        low, high = self.truth.shop.comeback_days
        day = past.closed_at + timedelta(days=int(self.rng.integers(low, high + 1)))
        at = day.replace(hour=OPENS.hour + 1, minute=int(self.rng.integers(60)), second=0, microsecond=0)
        return _Arrival(at, arrival.procedure, arrival.vehicle, arrival.cause, past)

    def _past(self, arrival: _Arrival, visit: Visit, ending: VisitEnd, closed: datetime) -> PastJob:
        spec, vehicle, who = self.natures[arrival.procedure].spec, arrival.vehicle, visit.who
        days_before = (self.until - arrival.at).days
        return PastJob(
            client_id=UUID(bytes=self.rng.bytes(16), version=4),
            registration=vehicle.registration,
            platform=vehicle.platform,
            complaint=self._complaint(arrival, spec),
            opened_at=arrival.at,
            opened_by=who.name,
            closed_at=closed,
            closed_by=who.name,
            disposition=ending.disposition,
            vin=vehicle.vin,
            year=vehicle.year,
            circumstances=self._one(spec.circumstances),
            symptom=choose(self.rng, spec.symptoms) if spec.symptoms else "",
            codes=(choose(self.rng, spec.codes),) if spec.codes and self._happens(0.4) else (),
            odometer=max(1000, vehicle.km - KM_A_DAY * days_before),
            complaint_verified=("yes" if self._happens(0.9) else "not-yet") if arrival.cause else "no",
            closing_note=ending.note,
            comeback_of=arrival.comeback_of.client_id if arrival.comeback_of else None,
            runs=tuple(leg.past(who.name) for leg in visit.legs),
            repairs=tuple(visit.repairs),
        )

    def _complaint(self, arrival: _Arrival, spec: ProcedureTruth) -> str:
        if arrival.comeback_of is not None:
            return f"Back again. {arrival.comeback_of.complaint.removeprefix('Back again. ')}"
        return self._one(spec.complaints)

    def _one(self, texts: tuple[str, ...]) -> str:
        return texts[int(self.rng.integers(len(texts)))] if texts else ""

    def _happens(self, rate: float) -> bool:
        return bool(self.rng.random() < rate)


def arrival_minutes(rng: np.random.Generator, days: int, count: int, growth: float) -> NDArray[np.int64]:
    """Minutes after the first midnight at which ``count`` vehicles come in, sorted; the rate grows evenly from 1 to
    ``growth``, within the shop's hours."""
    share = rng.random(count)
    slope = growth - 1
    if abs(slope) > 1e-9:
        share = (np.sqrt(1 + slope * (2 + slope) * share) - 1) / slope
    opens, closes = OPENS.hour * 60 + OPENS.minute, CLOSES.hour * 60
    minute_of_day = rng.integers(opens, closes - 60, count)
    return np.sort((share * days).astype(np.int64) * DAY + minute_of_day)


def technician(truth: Truth, name: str) -> Technician:
    """The technician with this log-in.

    Raises:
        KeyError: the truth does not know the name.
    """
    return {person.name: person for person in truth.technicians}[name]
