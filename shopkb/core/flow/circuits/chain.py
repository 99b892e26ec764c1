"""A circuit built part by part, in the order in which its current flows, each with the wire that leads to it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

from shopkb.core.circuit.parts import MINUS, PLUS, PartKind
from shopkb.core.flow.circuit_spec import CircuitSpec, PartSpec, PointSpec, SupplySpec
from shopkb.core.flow.editing import fresh_key
from shopkb.core.flow.model import AskedValue, Cause, Flow
from shopkb.core.readings.expressions import parse_expression
from shopkb.core.readings.parsing import parse_quantity

BATTERY: Final = AskedValue(
    "battery",
    "Battery voltage, engine off",
    "V",
    parse_quantity("11.5 V", "voltage"),
    parse_quantity("13.2 V", "voltage"),
)


class Piece(StrEnum):
    """What can be added at once."""

    FUSE = "fuse"
    SWITCH = "switch"
    RELAY = "relay"
    OUTPUT = "output"
    CONNECTOR = "connector"
    RESISTOR = "resistor"
    LOAD = "load"
    LAMP = "lamp"
    MOTOR = "motor"
    EARTH = "earth"


LOADS: Final = frozenset({Piece.LOAD, Piece.LAMP, Piece.MOTOR})


@dataclass(frozen=True, slots=True)
class Added:
    """A part as a writer gives it. ``behind`` is the point from which its wire starts; ``switched_by`` names what
    earths the coil of a relay."""

    piece: Piece
    name: str
    behind: str
    component: str = ""
    access: str = ""
    amps: float = 0.0
    ohms: float = 0.0
    length: float = 2.0
    area: float = 1.5
    switched_by: str = ""


@dataclass
class _Made:
    """What is being added to a circuit."""

    circuit: CircuitSpec
    added: Added
    parts: list[PartSpec] = field(default_factory=list)
    points: list[PointSpec] = field(default_factory=list)

    given: set[str] = field(default_factory=set)

    def key(self, words: str) -> str:
        """A key of its own, for a part or a point."""
        taken = {end for part in self.circuit.parts for end in (part.key, part.first, part.second)}
        key = fresh_key(words, taken | self.given | {point.key for point in self.circuit.points}, "part")
        self.given.add(key)
        return key

    def point(self, words: str, name: str) -> str:
        key = self.key(words)
        self.points.append(PointSpec(key, name, access=self.added.access))
        return key

    def part(
        self, key: str, kind: PartKind, first: str, second: str, *, coil: str = "", ohms: str = "", amps: str = ""
    ) -> None:
        """A part of the component that was given."""
        sized = PartSpec(key, kind, first, second, coil=coil, of=self.added.component)
        if ohms:
            sized = replace(sized, ohms=parse_expression(ohms, ohms))
        if amps:
            sized = replace(sized, amps=parse_expression(amps, amps), at=parse_expression("13 V", "13 V"))
        self.parts.append(sized)

    def wire(self, words: str, first: str, second: str) -> None:
        """A wire of the length and cross-section that were given; it belongs to no component of its own."""
        area, length = f"{_number(self.added.area)} mm2", f"{_number(self.added.length)} m"
        self.parts.append(
            PartSpec(
                self.key(words),
                PartKind.WIRE,
                first,
                second,
                area=parse_expression(area, area),
                length=parse_expression(length, length),
            )
        )


def begun(flow: Flow) -> Flow:
    """The flow with a circuit of a battery alone, whose voltage is asked once a run; its own where it has one."""
    if flow.circuit is not None:
        return flow
    supply = SupplySpec(parse_expression("battery", "battery"), parse_expression("10 mohm", "10 mohm"))
    points = (PointSpec(PLUS, "battery positive"), PointSpec(MINUS, "battery negative"))
    values = flow.values if "battery" in flow.value_by_key else (*flow.values, BATTERY)
    return replace(flow, circuit=CircuitSpec(supply, points), values=values)


def ends(circuit: CircuitSpec) -> tuple[str, ...]:
    """The points a further part can start from, the loose end of the chain first."""
    starts = {part.first for part in circuit.parts}
    loose = [part.second for part in circuit.parts if part.second not in starts | {MINUS}]
    named = [point.key for point in circuit.points if point.key != MINUS]
    return tuple(dict.fromkeys((*reversed(loose), *named, PLUS)))


def with_part(flow: Flow, added: Added) -> Flow:
    """The flow with this part, the wire that leads to it, and points where its ends are reached."""
    flow = begun(flow)
    circuit = flow.circuit
    if circuit is None:
        return flow
    made = _Made(circuit, added)
    if added.piece in LOADS:
        _load(made)
    elif added.piece is Piece.RELAY:
        _relay(made)
    elif added.piece is Piece.EARTH:
        _earth(made)
    else:
        _plain(made)
    return replace(
        flow,
        circuit=replace(circuit, parts=(*circuit.parts, *made.parts), points=(*circuit.points, *made.points)),
    )


_KINDS: Final = {
    Piece.FUSE: PartKind.FUSE,
    Piece.SWITCH: PartKind.SWITCH,
    Piece.OUTPUT: PartKind.OUTPUT,
    Piece.CONNECTOR: PartKind.TERMINAL,
    Piece.RESISTOR: PartKind.RESISTOR,
    Piece.LOAD: PartKind.LOAD,
    Piece.LAMP: PartKind.LAMP,
    Piece.MOTOR: PartKind.MOTOR,
}
USUAL_COIL: Final = 80.0
"""Ohm of the coil of a usual relay (common practice)."""

_SIZED: Final = {Piece.OUTPUT: "20 mohm"}


def _number(size: float) -> str:
    """As the file writes numbers: six places at most, and no power of ten."""
    return f"{size:.6f}".rstrip("0").rstrip(".")


def _plain(made: _Made) -> None:
    added = made.added
    key = made.key(added.name)
    first = made.point(f"{key}-in", f"feed side of the {added.name}")
    second = made.point(f"{key}-out", f"load side of the {added.name}")
    made.wire(f"wire-to-{key}", added.behind, first)
    ohms = f"{_number(added.ohms)} ohm" if added.ohms else _SIZED.get(added.piece, "")
    made.part(key, _KINDS[added.piece], first, second, ohms=ohms)


def _load(made: _Made) -> None:
    """A load with its plug: a terminal before and one behind it."""
    added = made.added
    key = made.key(added.name)
    first = made.point(f"{key}-in", f"feed pin of the {added.name} plug")
    second = made.point(f"{key}-out", f"earth pin of the {added.name} plug")
    plus, minus = made.key(f"{key}-plus"), made.key(f"{key}-minus")
    made.wire(f"wire-to-{key}", added.behind, first)
    made.part(made.key(f"{key}-plug"), PartKind.TERMINAL, first, plus)
    made.part(key, _KINDS[added.piece], plus, minus, amps=f"{_number(added.amps)} A")
    made.part(made.key(f"{key}-plug-earth"), PartKind.TERMINAL, minus, second)


def _relay(made: _Made) -> None:
    """Contacts in the chain, and a coil from the same feed that a switch puts to earth."""
    added = made.added
    key = made.key(added.name)
    by = made.key(added.switched_by or f"{added.name} switch")
    first = made.point(f"{key}-in", f"feed pin of the {added.name}")
    second = made.point(f"{key}-out", f"output pin of the {added.name}")
    coil_out = made.point(f"{key}-coil-out", f"coil pin of the {added.name} to the {by.replace('-', ' ')}")
    coil, by_in = made.key(f"{key}-coil"), made.key(f"{by}-in")
    made.wire(f"wire-to-{key}", added.behind, first)
    made.part(key, PartKind.CONTACT, first, second, coil=coil)
    made.part(coil, PartKind.COIL, first, coil_out, ohms=f"{_number(added.ohms or USUAL_COIL)} ohm")
    made.wire(f"wire-to-{by}", coil_out, by_in)
    made.parts.append(PartSpec(by, PartKind.SWITCH, by_in, MINUS))


def _earth(made: _Made) -> None:
    added = made.added
    key = made.key(added.name)
    first = made.point(f"{key}-in", added.name)
    made.wire(f"wire-to-{key}", added.behind, first)
    made.part(key, PartKind.TERMINAL, first, MINUS)


def without_part(flow: Flow, key: str) -> Flow:
    """The flow without a part and what hangs on it alone: its ends become one point, and the coil and switch of a relay
    go with its contacts. Causes that no part is left of stay, without their fault."""
    circuit = flow.circuit
    part = next((one for one in circuit.parts if one.key == key), None) if circuit is not None else None
    if circuit is None or part is None:
        return flow
    contact = next((one for one in circuit.parts if one.coil == key), None)
    if contact is not None:  # a coil without its contacts would leave a relay that nothing closes
        return without_part(flow, contact.key)
    gone = {key, *_of_coil(circuit, part)}
    kept = [one for one in circuit.parts if one.key not in gone]
    if part.second != MINUS and part.first != MINUS:
        kept = [_moved(one, part.second, part.first) for one in kept]
    used = {end for one in kept for end in (one.first, one.second)} | {PLUS, MINUS}
    points = tuple(point for point in circuit.points if point.key in used)
    causes = tuple(_without(cause, gone) for cause in flow.causes)
    return replace(flow, circuit=replace(circuit, parts=tuple(kept), points=points), causes=causes)


def _of_coil(circuit: CircuitSpec, part: PartSpec) -> Iterator[str]:
    """The coil of a contact, and what hangs on it alone: from its end away from the contact, as far as the points join
    nothing else. It may be written either way round."""
    coil = next((one for one in circuit.parts if part.coil and one.key == part.coil), None)
    if coil is None:
        return
    yield coil.key
    gone, here = {part.key, coil.key}, coil.second if coil.second not in (part.first, part.second) else coil.first
    while here not in (PLUS, MINUS, part.first, part.second):
        joined = [one for one in circuit.parts if here in (one.first, one.second) and one.key not in gone]
        if len(joined) != 1:
            return
        yield joined[0].key
        gone.add(joined[0].key)
        here = joined[0].second if joined[0].first == here else joined[0].first


def _moved(part: PartSpec, old: str, new: str) -> PartSpec:
    return replace(
        part, first=new if part.first == old else part.first, second=new if part.second == old else part.second
    )


def _without(cause: Cause, gone: set[str]) -> Cause:
    fault = cause.fault
    if fault is None or not set(fault.parts) & gone:
        return cause
    left = tuple(one for one in fault.parts if one not in gone)
    return replace(cause, fault=replace(fault, parts=left) if left else None)
