"""One vehicle's visit: a technician follows a procedure towards a cause only the truth knows, with human errors.

Pure: randomness comes from the generator given, time begins at the moment given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta

import numpy as np

from shopkb.core.flow.model import AskedValue, Flow, GoKind, Outcome, Proof, Step
from shopkb.core.flow.walk import Entry, Walk, walk
from shopkb.core.readings.units import Quantity
from shopkb.demo.nature import Nature, choose, typed_reading
from shopkb.demo.truth import Technician, Truth, names_causes
from shopkb.jobs.following import read_value, values_missing, with_computed
from shopkb.jobs.past import PastRepair, PastResult, PastValue

OPENS, CLOSES = time(7, 40), time(17, 30)
MOST_ATTEMPTS = 4


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
class Ending:
    """How a visit ended: a disposition, whether a wrong cause was claimed, and a note."""

    disposition: str
    wrong: bool = False
    note: str = ""


@dataclass(eq=False)
class Visit:
    """Following one procedure on one vehicle. ``cause`` is the identity of the true cause.

    ``access`` gives the minutes each set-up state costs to reach, ``error`` is the factor on all error rates.
    """

    rng: np.random.Generator
    truth: Truth
    nature: Nature
    cause: str
    who: Technician
    clock: Clock
    access: Mapping[str, float]
    error: float = 1.0
    results: list[PastResult] = field(default_factory=list)
    values: list[PastValue] = field(default_factory=list)
    repairs: list[PastRepair] = field(default_factory=list)
    _asked: dict[str, Quantity] = field(default_factory=dict)
    _known: dict[str, Quantity] = field(default_factory=dict)
    _at: str = ""

    @property
    def flow(self) -> Flow:
        return self.nature.flow

    def way(self) -> Walk:
        return walk(self.flow, [Entry(result.step, result.outcome or result.onward) for result in self.results])

    def go_on(self, most: int = 1000) -> Walk:
        """Answer step after step until an end, or ``most`` steps."""
        way = self.way()
        while way.current and most > 0:
            self.answer(self.flow.step_by_key[way.current])
            way, most = self.way(), most - 1
        return way

    def diagnose(self) -> Ending:
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
        """Do one step: set-up, time, perhaps a break, perhaps left out, perhaps wrong."""
        self._ask_values(step)
        error = 0.0 if careful else self._error(step)
        outcome = self.nature.outcome(self.rng, step, self.cause, error)
        if not careful and not names_causes(self.flow, step.key) and self._happens(self.truth.skips[step.test]):
            self._leave_out(step, outcome)
            return
        if self._happens(self.truth.shop.breaks):
            self.clock.work(float(self.rng.uniform(35, 90)))
        at = self.clock.work(self._minutes(step))
        chosen = step.outcome(outcome)
        typed, meter, why = self._reading(step, chosen)
        self.results.append(
            PastResult(step.key, at, self.who.name, outcome, typed=typed, meter=meter, override_why=why)
        )

    def _error(self, step: Step) -> float:
        usual = self.nature.said.errors.get(step.key, self.truth.errors[step.test])
        return min(0.5, usual * self.who.error * self.error)

    def _leave_out(self, step: Step, right: str) -> None:
        guessed = right
        if not self._happens(self.truth.shop.skip_goes_right):
            guessed = step.outcomes[int(self.rng.integers(len(step.outcomes)))].key
        reason = choose(self.rng, self.truth.skip_reasons)
        at = self.clock.work(0.5)
        self.results.append(PastResult(step.key, at, self.who.name, skipped=reason, onward=guessed))

    def _reading(self, step: Step, outcome: Outcome) -> tuple[str, str, str]:
        if step.reading is None:
            return "", "", ""
        if outcome.band is None:
            return "", "", "No reading could be taken."
        meters = self.truth.meters.get(step.reading.quantity, ())
        meter = meters[int(self.rng.integers(len(meters)))] if meters else ""
        typed, _ = typed_reading(self.rng, step, outcome, self._known, meter)
        return typed, meter, ""

    def _ask_values(self, step: Step) -> None:
        for value in values_missing(self.flow, step, self._known):
            typed = self._typed_value(value)
            self._asked[value.key] = read_value(value, typed)
            self.values.append(PastValue(value.key, typed, self.clock.now, self.who.name))
            self._known = with_computed(self.flow, self._asked)

    def _typed_value(self, value: AskedValue) -> str:
        said = self.nature.said.values.get(value.key, ())
        if said:
            return said[int(self.rng.integers(len(said)))]
        bound = value.low or value.high
        return str(bound) if bound is not None else f"1 {value.unit}"

    def _minutes(self, step: Step) -> float:
        setting_up = self.access.get(step.access, 0.0) if step.access != self._at else 0.0
        self._at = step.access
        typical = (step.minutes or 5.0) + setting_up
        return typical * self.who.pace * float(np.exp(self.rng.normal(0, self.truth.shop.minutes_spread)))

    def _end(self, way: Walk) -> Ending | None:
        """What an end leads to; ``None``: the complaint stays, and the job goes on."""
        cause = self.flow.cause_by_key.get(way.end.go.key) if way.end and way.end.go.kind is GoKind.CAUSE else None
        if cause is None or way.end is None:
            return None
        shop, right = self.truth.shop, cause.identity == self.cause
        if self._happens(shop.declined):
            return Ending("declined", note="Told what it would cost; the owner wants to think it over.")
        proof = way.end.proof or Proof.ELIMINATION
        found_at = (0, way.standing[-1])  # the one run, its last standing result
        if self._happens(shop.unverified):
            self._repair(cause.identity, proof, "not-checked", found_at)
            return Ending("not-checked", not right, "Bus was needed; nobody repeated the conditions.")
        if right or self._happens(shop.false_cure):
            self._repair(cause.identity, proof, "cured", found_at)
            return Ending("cured", not right)
        self._repair(cause.identity, proof, "not-cured", found_at)
        return None

    def _go_back(self) -> bool:
        """Do the first step that was answered wrongly again, with care. False: no step was."""
        for step, route in self.way().path:
            right = self.nature.right_outcomes(step, self.cause)
            if right and route not in right:
                self.answer(self.flow.step_by_key[step], careful=True)
                return True
        return False

    def _found_aside(self) -> Ending:
        """Somebody finds the cause without the procedure; what was answered wrongly stands."""
        self.clock.work(float(self.rng.uniform(20, 90)))
        self._repair(self.cause, Proof.SUBSTITUTED, "cured", None)
        return Ending("cured", note="Found outside the procedure.")

    def _given_up(self) -> Ending:
        if self._happens(0.5):
            return Ending("sent-elsewhere", note="Sent to a dealer's workshop.")
        return Ending("unsolved", note="No test left that would tell; comes back when it shows again.")

    def _repair(self, cause: str, proof: Proof, cured: str, found_at: tuple[int, int] | None) -> None:
        known = next((one for one in self.flow.causes if one.identity == cause), None)
        component, _, mode = cause.partition("#")
        part = component.rpartition("/")[2].replace("-", " ")
        correction = known.correction if known and known.correction else f"Put right: {part}, {mode}."
        taken = (known.minutes if known and known.minutes else 45.0) * self.who.pace
        minutes = max(1, round(taken * float(np.exp(self.rng.normal(0, 0.25)))))
        also = self._also(known.key) if known and cause == self.cause else ()
        at = self.clock.work(minutes)
        checks = self.nature.said.checks
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
            for pair in self.nature.said.together
            if pair.cause == key and self._happens(pair.share)
        )

    def _happens(self, rate: float) -> bool:
        return bool(self.rng.random() < rate)


def _checked(cured: str, check: str) -> str:
    return check if cured == "cured" else "Conditions of the complaint repeated: it is still there."
