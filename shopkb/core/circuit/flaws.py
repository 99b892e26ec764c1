"""What is wrong with a circuit as it is written, before anything is read from it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from shopkb.core.circuit.parts import (
    LEAD,
    MINUS,
    MOST_PARTS,
    PLUS,
    SWITCHED,
    Circuit,
    Condition,
    Measured,
    PartKind,
    Sizes,
)
from shopkb.core.circuit.solving import solution_of

SHORT_OHMS: Final = 0.008
"""Less than this from battery positive to negative is no load: a starter motor has about 0.02 ohm."""

DRIVEN_BACK: Final = 20.0
"""Ampere into the positive end of a supply, above which another one is in conflict with it."""


class FlawKind(StrEnum):
    """What a flaw concerns."""

    TOO_MANY = "too many parts"
    UNJOINED = "part joined to nothing"
    CONFLICT = "supplies in conflict"
    SHORTED = "short across the supply"
    NO_POINT = "point that is not there"
    NO_PART = "part that is not there"


@dataclass(frozen=True, slots=True)
class CircuitFlaw:
    """One thing that is wrong; ``part`` or ``test`` say where, the other being empty."""

    kind: FlawKind
    message: str
    hint: str
    part: str = ""
    test: str = ""


Tests = Mapping[str, tuple[Condition, Measured | None]]
"""By the key of the step."""


def flaws(circuit: Circuit, sizes: Sizes, tests: Tests) -> tuple[CircuitFlaw, ...]:
    """Everything that is wrong, structure first; currents are only looked at where the structure is right."""
    found = [*_too_many(circuit), *_unjoined(circuit, tests), *_coils(circuit)]
    for key, (condition, measured) in tests.items():
        found += _named(circuit, key, condition, measured)
    return tuple(found or _overloaded(circuit, sizes, tests))


def _too_many(circuit: Circuit) -> Iterator[CircuitFlaw]:
    if len(circuit.parts) > MOST_PARTS:
        message = f"The circuit has {len(circuit.parts)} parts, at most {MOST_PARTS} are possible"
        yield CircuitFlaw(FlawKind.TOO_MANY, message, "Leave out what no step measures and no fault needs.")


def _unjoined(circuit: Circuit, tests: Tests) -> Iterator[CircuitFlaw]:
    used = _points_used(tests)
    reached = _reached(circuit)
    for part in circuit.parts:
        others = [one for one in circuit.parts if one is not part]
        if part.first not in reached and part.second not in reached:
            message = f"No way leads from {part.key} to the supply"
            yield CircuitFlaw(FlawKind.UNJOINED, message, f"Join it to {PLUS} or {MINUS}, by other parts.", part.key)
            continue
        for point in (part.first, part.second):
            joined = any(point in (one.first, one.second) for one in others)
            if not joined and point not in used and point not in (PLUS, MINUS):
                message = f"{part.key} is joined to nothing at {point}"
                hint = "Join another part there, or correct the name of the point."
                yield CircuitFlaw(FlawKind.UNJOINED, message, hint, part.key)
        if part.first == part.second:
            message = f"{part.key} begins and ends at {part.first}"
            yield CircuitFlaw(FlawKind.UNJOINED, message, "Give it two different points.", part.key)


def _points_used(tests: Tests) -> set[str]:
    used = {point for _, measured in tests.values() if measured for pair in measured.probes for point in pair}
    leads = [lead for condition, _ in tests.values() for lead in condition.leads]
    return used | {point for lead in leads for point in (lead.first, lead.second)}


def _reached(circuit: Circuit) -> set[str]:
    """Every point that parts join to the supply, switches taken as closed."""
    reached = {PLUS, MINUS}
    waiting = list(circuit.parts)
    while True:
        near = [part for part in waiting if part.first in reached or part.second in reached]
        if not near:
            return reached
        reached |= {point for part in near for point in (part.first, part.second)}
        waiting = [part for part in waiting if part not in near]


def _coils(circuit: Circuit) -> Iterator[CircuitFlaw]:
    for part in circuit.parts:
        if part.coil and (part.coil not in circuit.place or part.kind not in SWITCHED):
            told = f"{part.key} is no contact" if part.kind not in SWITCHED else f"There is no part {part.coil}"
            hint = f"Write the key of its coil, one of {_list(circuit, PartKind.COIL)}."
            yield CircuitFlaw(FlawKind.NO_PART, f"{told}, so no coil can close it", hint, part.key)


def _named(circuit: Circuit, key: str, condition: Condition, measured: Measured | None) -> Iterator[CircuitFlaw]:
    for name in sorted(condition.closed | condition.opened):
        if name not in circuit.place:
            yield _no_part(circuit, name, key)
        elif circuit.parts[circuit.place[name]].kind not in SWITCHED:
            hint = f"What can be switched is {_switches(circuit)}."
            yield CircuitFlaw(FlawKind.NO_PART, f"{name} is nothing that can be switched", hint, test=key)
    points = [point for lead in condition.leads for point in (lead.first, lead.second)]
    if measured is not None:
        points += [point for pair in measured.probes for point in pair]
        if measured.through and measured.through != LEAD and measured.through not in circuit.place:
            yield _no_part(circuit, measured.through, key)
        if measured.through == LEAD and not condition.leads:
            hint = "Add leads: to the step, or name a part of the circuit."
            yield CircuitFlaw(FlawKind.NO_PART, "The clamp is around a lead, but the step lays none", hint, test=key)
    for point in dict.fromkeys(points):
        if point not in circuit.points:
            hint = f"Its points are {', '.join(circuit.points)}."
            yield CircuitFlaw(FlawKind.NO_POINT, f"The circuit has no point {point}", hint, test=key)


def _no_part(circuit: Circuit, name: str, test: str) -> CircuitFlaw:
    hint = f"Its parts are {', '.join(circuit.place)}."
    return CircuitFlaw(FlawKind.NO_PART, f"The circuit has no part {name}", hint, test=test)


def _switches(circuit: Circuit) -> str:
    return ", ".join(part.key for part in circuit.parts if part.kind in SWITCHED) or "nothing in this circuit"


def _list(circuit: Circuit, kind: PartKind) -> str:
    return ", ".join(part.key for part in circuit.parts if part.kind is kind) or "none in this circuit yet"


# Currents of the sound circuit ------------------------------------------------------------------------------------


def _overloaded(circuit: Circuit, sizes: Sizes, tests: Tests) -> Iterator[CircuitFlaw]:
    usual = Sizes(sizes.ohms[:1], sizes.volts[:1], sizes.cold[:1])
    conditions: Sequence[tuple[str, Condition]] = [("", Condition())]
    conditions = [*conditions, *((key, condition) for key, (condition, _) in tests.items())]
    told: set[FlawKind] = set()
    for key, condition in conditions:
        for flaw in _at_supplies(circuit, usual, condition, key):
            if flaw.kind not in told:
                told.add(flaw.kind)
                yield flaw


def _at_supplies(circuit: Circuit, sizes: Sizes, condition: Condition, key: str) -> Iterable[CircuitFlaw]:
    solution = solution_of(circuit, sizes, condition)
    for number, part in enumerate(circuit.parts):
        if part.kind is not PartKind.SUPPLY:
            continue
        given = -float(solution.current(number)[0, 0])
        ends = [solution.points[point] for point in (part.first, part.second)]
        across = float(np.abs(np.diff(solution.volts[0, 0, ends]))[0])
        if given < -DRIVEN_BACK:
            message = f"{-given:.0f} A flow into {part.key} from another supply"
            hint = "Two supplies of different voltage are joined: put what lies between them there, or leave one out."
            yield CircuitFlaw(FlawKind.CONFLICT, message, hint, part.key)
        elif given > DRIVEN_BACK and across / given < SHORT_OHMS:
            when = f" at the step {key}" if key else ""
            message = (
                f"{given:.0f} A flow from {part.key}{when}: nothing but {1000 * across / given:.1f} mohm takes them"
            )
            hint = "Nothing that takes current lies between the two ends: correct where its parts are joined."
            yield CircuitFlaw(FlawKind.SHORTED, message, hint, part.key)
