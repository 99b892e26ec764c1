"""What could be measured in a circuit, and what each state of it would read there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shopkb.core.circuit.parts import MINUS, PLUS, SWITCHED, WARM, Array, Condition, Lead, Measured, PartKind
from shopkb.core.circuit.solving import readings
from shopkb.core.flow.circuit_spec import CircuitSpec, PartSpec
from shopkb.core.flow.circuits.predicted import METER_LEAST, METER_SHARE, SOUND
from shopkb.core.flow.circuits.sizes import faults_of, sampled_values, sized
from shopkb.core.flow.model import Flow

TERMINALS: Final = (PLUS, MINUS)
"""A long lead from the battery reaches everywhere."""

MINUTES: Final[Mapping[str, float]] = {"voltage": 3.0, "current": 4.0}
MORE: Final = 1.0
"""Minutes more for the long lead to battery positive, for a test lamp, and for switching off between."""


TEST_LAMP_OHMS: Final = 6.9
"""A lamp of 21 W (12 V) across the meter, so that a bad joint shows before the load has its current."""

LAMP_KEEPS: Final = 0.8
"""Share of the supply that a sound circuit has to keep with the lamp on: it goes nowhere but to the feed."""


@dataclass(frozen=True, slots=True)
class Setup:
    """What is switched on and off, where the tips go, whether a test lamp is the load, or around which part the clamp
    goes; and the set-up state in which that is reached."""

    closed: frozenset[str]
    opened: frozenset[str]
    red: str
    black: str
    access: str
    lamp: bool = False
    through: str = ""
    is_off: bool = False
    """Whether something is off that is on when the complaint is there."""

    @property
    def quantity(self) -> str:
        return "current" if self.through else "voltage"

    @property
    def minutes(self) -> float:
        return MINUTES[self.quantity] + MORE * (PLUS in (self.red, self.black)) + MORE * self.lamp + MORE * self.is_off

    def test(self) -> tuple[Condition, Measured]:
        leads = (Lead(self.red, self.black, TEST_LAMP_OHMS),) if self.lamp else ()
        probes = () if self.through else ((self.red, self.black),)
        return Condition(self.closed, self.opened, leads=leads), Measured(self.quantity, probes, self.through)


@dataclass(frozen=True, eq=False)
class Place:
    """One reading that could be taken, and what would be read, in V or A.

    ``by_state`` has the samples of the sound circuit under :data:`SOUND` and of each cause; ``supply`` is the battery
    voltage of each sample, 0 where no value of the procedure gives it.
    """

    setup: Setup
    by_state: Mapping[str, Array]
    supply: Array

    def supply_of(self, state: str) -> Array:
        return np.tile(self.supply, len(self.by_state[state]) // len(self.supply))

    def spread(self, found: Array) -> Array:
        """Standard uncertainty of a usual meter at these readings."""
        return np.asarray(np.sqrt((METER_SHARE * np.abs(found)) ** 2 + METER_LEAST[self.setup.quantity] ** 2))


def working(flow: Flow) -> frozenset[str]:
    """What is switched on when the complaint is there: as the first step says, or everything without a coil."""
    first = flow.step_by_key.get(flow.start)
    if first is not None and first.state:
        return frozenset(one.part for one in first.state if one.closed)
    return _switches(flow.circuit)


def _switches(circuit: CircuitSpec | None) -> frozenset[str]:
    parts = circuit.parts if circuit is not None else ()
    return frozenset(part.key for part in parts if part.kind in SWITCHED and not part.coil)


def reached(circuit: CircuitSpec) -> Mapping[str, str]:
    """The points where a tip can be put, with their set-up states; every named one where none has its state."""
    said = {point.key: point.access for point in circuit.points if point.access and point.key not in TERMINALS}
    return said or {point.key: "" for point in circuit.points if point.name and point.key not in TERMINALS}


def supply_name(flow: Flow) -> str:
    """The value that is the voltage of the supply; empty where it is none by itself."""
    volts = flow.circuit.supply.volts if flow.circuit is not None and flow.circuit.supply is not None else None
    return volts.text() if volts is not None and volts.text() in flow.value_by_key else ""


def places(flow: Flow) -> tuple[Place, ...]:
    """The voltage of every point that is reached, to earth, and between neighbours reached in one set-up; at work,
    with each switch off, and with a test lamp as the load; and the current of each load.

    Raises:
        SizeUnknown: the circuit cannot be worked out.
    """
    if flow.circuit is None:
        return ()
    sampled = sampled_values(flow, {})
    circuit, sizes = sized(flow.circuit, sampled)
    faults = [fault for fault in faults_of(flow) if fault.part in circuit.place]
    setups = list(_setups(flow, flow.circuit))
    columns: dict[str, list[int]] = {SOUND: [0]}
    for number, fault in enumerate(faults, start=1):
        columns.setdefault(fault.cause, []).append(number)
    name = supply_name(flow)
    supply = np.array([float(values[name].exact("V")) if name in values else 0.0 for values in sampled.values])
    table = readings(circuit, sizes, [setup.test() for setup in setups], faults)
    volts = sizes.volts[:, 0]
    return tuple(
        _place(setup, rows, columns, supply)
        for setup, rows in zip(setups, table, strict=True)
        if np.isfinite(rows).all() and not (setup.lamp and (rows[0] < LAMP_KEEPS * volts).any())
    )


def _setups(flow: Flow, circuit: CircuitSpec) -> Iterator[Setup]:
    on, switches = working(flow), _switches(circuit)
    at = reached(circuit)
    neighbours = neighbouring(circuit, frozenset(at))
    outputs = {end for part in circuit.parts if part.kind is PartKind.OUTPUT for end in (part.first, part.second)}
    for off in (frozenset[str](), *(frozenset({switch}) for switch in sorted(on & switches))):
        closed, opened = on - off, (switches - on) | off
        for point, access in at.items():
            yield Setup(closed, opened, point, MINUS, access, is_off=bool(off))
            if point not in outputs:
                yield Setup(closed, opened, point, MINUS, access, lamp=True, is_off=bool(off))
        for first, second in sorted(neighbours):
            if first == PLUS or (first in at and at.get(second) == at[first]):
                yield Setup(closed, opened, first, second, at[second], is_off=bool(off))
    for part in circuit.parts:
        if part.kind in WARM and (nearest := _access(circuit, at, part)) is not None:
            yield Setup(on, switches - on, part.first, part.second, nearest, through=part.key)


def neighbouring(circuit: CircuitSpec, points: frozenset[str]) -> frozenset[tuple[str, str]]:
    """Pairs of these points, battery positive among them, with a way of parts between them that passes none of them."""
    known = points | set(TERMINALS)
    found: set[tuple[str, str]] = set()
    for start in sorted(points | {PLUS}):
        seen, ahead = {start}, [start]
        while ahead:
            for next_point in _beside(circuit, ahead.pop()) - seen:
                seen.add(next_point)
                if next_point not in known:
                    ahead.append(next_point)
        found |= {(start, end) for end in (seen & points) - {start} if (end, start) not in found}
    return frozenset(found)


def _beside(circuit: CircuitSpec, point: str) -> set[str]:
    ends = [(part.first, part.second) for part in circuit.parts]
    return {second for first, second in ends if first == point} | {first for first, second in ends if second == point}


def _access(circuit: CircuitSpec, at: Mapping[str, str], part: PartSpec) -> str | None:
    """The set-up state of the point nearest to a part."""
    seen, ahead = {part.first, part.second}, [part.first, part.second]
    while ahead:
        point = ahead.pop(0)
        if point in at:
            return at[point]
        more = _beside(circuit, point) - seen - set(TERMINALS)
        seen |= more
        ahead += sorted(more)
    return None


def _place(setup: Setup, rows: Array, columns: Mapping[str, list[int]], supply: Array) -> Place:
    """Red is put where the voltage is higher."""
    if not setup.through and rows[0].sum() + rows.mean(axis=0).sum() < 0:
        setup, rows = replace(setup, red=setup.black, black=setup.red), -rows
    return Place(setup, {state: rows[numbers].ravel() for state, numbers in columns.items()}, supply)
