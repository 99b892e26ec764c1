"""One vehicle's visit: a technician follows a procedure towards a cause only the truth knows, with human errors.

Pure: randomness comes from the generator given, time begins at the moment given.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta

import numpy as np

from shopkb.core.flow.model import AskedValue, Flow, Go, GoKind, Outcome, Proof, Step
from shopkb.core.flow.walk import AnsweredStep, Walk, walk
from shopkb.core.readings.quantities import Quantity
from shopkb.demo.nature import Nature, choose, typed_reading
from shopkb.demo.past_jobs import PastDanger, PastRepair, PastResult, PastRun, PastValue
from shopkb.demo.truth import MOST_ATTEMPTS, Technician, Truth, names_causes
from shopkb.jobs.answering import read_value, values_missing, with_computed
from shopkb.jobs.dangers import ENERGISING, LONG_BREAK

OPENS, CLOSES = time(7, 40), time(17, 30)


@dataclass(eq=False)
class Clock:
    """The shop's hours: work that runs past closing goes on next morning; Sundays are free."""

    now: datetime

    def work(self, minutes: float) -> datetime:
        self.now += timedelta(seconds=round(minutes * 60))
        if self.now.time() > CLOSES:
            self.now = self._morning(self.now + timedelta(days=1))
        elif self.now.time() < OPENS:
            self.now = self._morning(self.now)
        return self.now

    @staticmethod
    def _morning(day: datetime) -> datetime:
        sunday = day.weekday() == 6
        return (day + timedelta(days=int(sunday))).replace(hour=OPENS.hour, minute=OPENS.minute)


@dataclass(frozen=True, slots=True)
class VisitEnd:
    """How a visit ended: a disposition, whether a wrong cause was claimed, and a note."""

    disposition: str
    wrong: bool = False
    note: str = ""


@dataclass(eq=False)
class Leg:
    """One procedure followed: what was recorded, and what the technician knows while following it."""

    nature: Nature
    started_at: datetime
    came_from: int | None = None
    results: list[PastResult] = field(default_factory=list)
    values: list[PastValue] = field(default_factory=list)
    confirmed: list[PastDanger] = field(default_factory=list)
    asked: dict[str, Quantity] = field(default_factory=dict)
    known: dict[str, Quantity] = field(default_factory=dict)
    safe: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.known = with_computed(self.nature.flow, {})

    def way(self) -> Walk:
        return walk(
            self.nature.flow, [AnsweredStep(result.step, result.outcome or result.onward) for result in self.results]
        )

    def past(self, holder: str) -> PastRun:
        return PastRun(
            self.nature.flow.procedure,
            holder,
            self.started_at,
            tuple(self.results),
            tuple(self.values),
            tuple(self.confirmed),
            stopped_why="" if self.results else "Complaint not present.",
            came_from=self.came_from,
        )


@dataclass(eq=False)
class Visit:
    """Following procedures on one vehicle, ``begin`` the first. ``cause`` is the identity of the true cause.

    ``access`` gives the minutes each set-up state costs to reach, ``dangers`` holds the keys of the cautions that are a
    DANGER, ``error`` is the factor on all error rates.
    """

    rng: np.random.Generator
    truth: Truth
    natures: Mapping[str, Nature]
    cause: str
    who: Technician
    clock: Clock
    access: Mapping[str, float]
    error: float = 1.0
    dangers: Collection[str] = ()
    platform: str = ""
    legs: list[Leg] = field(default_factory=list)
    repairs: list[PastRepair] = field(default_factory=list)
    _at: str = ""

    def begin(self, procedure: str) -> None:
        """Start following a procedure, handed over to by the one before it."""
        came_from = len(self.legs) - 1 if self.legs else None
        self.legs.append(Leg(self.natures[procedure], self.clock.now, came_from))

    @property
    def leg(self) -> Leg:
        return self.legs[-1]

    @property
    def flow(self) -> Flow:
        return self.leg.nature.flow

    def way(self) -> Walk:
        return self.leg.way()

    def go_on(self, most: int = 1000) -> Walk:
        """Answer step after step until an end, or ``most`` steps."""
        way = self.way()
        while way.current and most > 0:
            self.answer(self.flow.step_by_key[way.current])
            way, most = self.way(), most - 1
            if way.end is not None and self._handed_over(way.end.go):
                way = self.way()
        return way

    def _handed_over(self, go: Go) -> bool:
        """Go on in the procedure an end hands over to, unless this job has followed it already."""
        followed = {leg.nature.flow.procedure for leg in self.legs}
        if go.kind is not GoKind.HAND_OVER or go.key in followed or go.key not in self.natures:
            return False
        self.clock.work(1)
        self.begin(go.key)
        return True

    def diagnose(self) -> VisitEnd:
        """From the first step to how the job is closed, with wrong repairs and second thoughts between."""
        for _ in range(MOST_ATTEMPTS):
            end = self._end(self.go_on())
            if end is not None:
                return end
            if self._happens(self.truth.shop.gives_up):
                break
            if self._happens(self.truth.shop.found_aside) or not self._go_back():
                return self._found_aside()
        return self._given_up()

    def answer(self, step: Step, *, careful: bool = False) -> None:
        """Do one step, perhaps wrongly, or leave it out."""
        error = 0.0 if careful else self._error(step)
        outcome = self.leg.nature.outcome(self.rng, step, self.cause, error, self.platform)
        if not careful and not names_causes(self.flow, step.key) and self._happens(self.truth.skips[step.test]):
            self._leave_out(step, outcome)
            return
        self.give(step, outcome)

    def give(self, step: Step, outcome: str) -> None:
        """Do one step with this outcome: dangers, set-up, time, perhaps a break, the reading."""
        self._ask_values(step)
        if self._happens(self.truth.shop.breaks):
            self.clock.work(float(self.rng.uniform(35, 90)))
        typed, meter, why = self._reading(step, step.outcome(outcome))
        started = self.clock.now
        at = self.clock.work(self._minutes(step))
        self._confirm_dangers(step, started)
        if at - started > LONG_BREAK:
            self._confirm_dangers(step, at - timedelta(seconds=20))
        self.leg.results.append(
            PastResult(step.key, at, self.who.name, outcome, typed=typed, meter=meter, override_why=why)
        )
        if step.test in ENERGISING:
            self.leg.safe.clear()

    def _confirm_dangers(self, step: Step, at: datetime) -> None:
        """Once a run, and again after a long break or energising."""
        moments = [part.at for part in self.leg.results[-1:]] + [part.at for part in self.leg.confirmed[-1:]]
        before = max(moments, default=at)
        if at - before > LONG_BREAK:
            self.leg.safe.clear()
        for caution in step.cautions:
            if caution in self.dangers and caution not in self.leg.safe:
                seconds = max(1, round(float(self.rng.lognormal(1.7, 0.7))))
                self.leg.confirmed.append(PastDanger(step.key, caution, seconds, at, self.who.name))
                self.leg.safe.add(caution)

    def _error(self, step: Step) -> float:
        usual = self.leg.nature.spec.errors.get(step.key, self.truth.errors[step.test])
        return min(0.5, usual * self.who.error * self.error)

    def _leave_out(self, step: Step, right: str) -> None:
        guessed = right
        if not self._happens(self.truth.shop.skip_goes_right):
            guessed = step.outcomes[int(self.rng.integers(len(step.outcomes)))].key
        reason = choose(self.rng, self.truth.skip_reasons)
        at = self.clock.work(0.5)
        self.leg.results.append(PastResult(step.key, at, self.who.name, skipped=reason, onward=guessed))

    def _reading(self, step: Step, outcome: Outcome) -> tuple[str, str, str]:
        if step.reading is None:
            return "", "", ""
        if outcome.band is None:
            return "", "", "No reading could be taken."
        meters = self.truth.meters.get(step.reading.quantity, ())
        meter = meters[int(self.rng.integers(len(meters)))] if meters else ""
        typed, _ = typed_reading(self.rng, step, outcome, self.leg.known)
        return typed, meter, ""

    def _ask_values(self, step: Step) -> None:
        for value in values_missing(self.flow, step, self.leg.known):
            typed = self._typed_value(value)
            self.leg.asked[value.key] = read_value(value, typed)
            self.leg.values.append(PastValue(value.key, typed, self.clock.now, self.who.name))
            self.leg.known = with_computed(self.flow, self.leg.asked)

    def _typed_value(self, value: AskedValue) -> str:
        spec = self.leg.nature.spec.values.get(value.key, ())
        if spec:
            return spec[int(self.rng.integers(len(spec)))]
        bound = value.low or value.high
        return str(bound) if bound is not None else f"1 {value.unit}"

    def _minutes(self, step: Step) -> float:
        setting_up = self.access.get(step.access, 0.0) if step.access != self._at else 0.0
        self._at = step.access
        typical = (step.minutes or 5.0) + setting_up
        return typical * self.who.pace * float(np.exp(self.rng.normal(0, self.truth.shop.minutes_spread)))

    def _end(self, way: Walk) -> VisitEnd | None:
        """What an end leads to; ``None``: the complaint stays, and the job goes on."""
        cause = self.flow.cause_by_key.get(way.end.go.key) if way.end and way.end.go.kind is GoKind.CAUSE else None
        if cause is None or way.end is None:
            return None
        shop, right = self.truth.shop, cause.identity == self.cause
        if self._happens(shop.declined):
            return VisitEnd("declined", note="Told what it would cost; the owner wants to think it over.")
        proof = way.end.proof or Proof.ELIMINATION
        found_at = (len(self.legs) - 1, way.standing[-1])
        if self._happens(shop.unverified):
            self._repair(cause.identity, proof, "not-checked", found_at)
            return VisitEnd("not-checked", not right, "Bus was needed; nobody repeated the conditions.")
        if right or self._happens(shop.false_cure):
            self._repair(cause.identity, proof, "cured", found_at)
            return VisitEnd("cured", not right)
        self._repair(cause.identity, proof, "not-cured", found_at)
        return None

    def _go_back(self) -> bool:
        """Do the first step that was answered wrongly again, with care. False: no step was."""
        for step, route in self.way().path:
            right = self.leg.nature.right_outcomes(step, self.cause)
            if right and route not in right:
                self.answer(self.flow.step_by_key[step], careful=True)
                return True
        return False

    def _found_aside(self) -> VisitEnd:
        """Somebody finds the cause without the procedure; what was answered wrongly stands."""
        self.clock.work(float(self.rng.uniform(20, 90)))
        self._repair(self.cause, Proof.SUBSTITUTED, "cured", None)
        return VisitEnd("cured", note="Found outside the procedure.")

    def _given_up(self) -> VisitEnd:
        if self._happens(0.5):
            return VisitEnd("sent-elsewhere", note="Sent to a dealer's workshop.")
        return VisitEnd("unsolved", note="No test left that would tell; comes back when it shows again.")

    def _repair(self, cause: str, proof: Proof, cured: str, found_at: tuple[int, int] | None) -> None:
        known = next((one for one in self.flow.causes if one.identity == cause), None)
        component, _, mode = cause.partition("#")
        part = component.rpartition("/")[2].replace("-", " ")
        correction = known.correction if known and known.correction else f"Put right: {part}, {mode}."
        taken = (known.minutes if known and known.minutes else 45.0) * self.who.pace
        minutes = max(1, round(taken * float(np.exp(self.rng.normal(0, 0.25)))))
        also = self._also(known.key) if known and cause == self.cause else ()
        at = self.clock.work(minutes)
        checks = self.leg.nature.spec.checks
        self.repairs.append(
            PastRepair(
                cause=cause,
                proof=proof,
                correction=correction,
                at=at,
                who=self.who.name,
                cured=cured,
                verified_at=self.clock.work(float(self.rng.uniform(8, 25))),
                how="" if cured == "not-checked" else _checked(cured, checks[int(self.rng.integers(len(checks)))]),
                found_at=found_at,
                parts=f"1 {part}" if known and known.price else "",
                minutes=minutes,
                also=also,
                also_found="Found together, put right with it." if also else "",
            )
        )

    def _also(self, key: str) -> tuple[str, ...]:
        return tuple(
            self.flow.cause_by_key[pair.also].identity
            for pair in self.leg.nature.spec.together
            if pair.cause == key and self._happens(pair.share)
        )

    def _happens(self, rate: float) -> bool:
        return bool(self.rng.random() < rate)


def _checked(cured: str, check: str) -> str:
    return check if cured == "cured" else "Conditions of the complaint repeated: it is still there."
