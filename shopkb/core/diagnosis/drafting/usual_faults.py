"""How parts of a circuit usually fail, and what puts each right, for causes that a writer has not written yet.

All of it is common practice: how common a fault is, its minutes and its price are the writer's to say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from shopkb.core.circuit.parts import Condition, PartKind
from shopkb.core.circuit.solving import solution_of
from shopkb.core.flow.circuit_spec import CircuitSpec, PartSpec
from shopkb.core.flow.circuits.sizes import sampled_values, sized
from shopkb.core.flow.model import Flow, Usual

SHARE_LOST: Final = 0.5
"""The smallest fault thought of takes this share of the supply from its load: with less, most loads still work."""


@dataclass(frozen=True, slots=True)
class UsualFault:
    """``fails`` is ``open``, or ``series`` for anything from half of the voltage lost to an open circuit."""

    mode: str
    fails: str
    usual: Usual
    correction: str
    also: str
    minutes: int


USUAL_FAULTS: Final[Mapping[PartKind, UsualFault]] = {
    PartKind.FUSE: UsualFault(
        "fuse blown", "open", Usual.COMMON, "Find what blew it, then fit a fuse of the rating in the maker's list.",
        "Chafed wires, water in plugs, a load that draws too much.", 20,
    ),
    PartKind.WIRE: UsualFault(
        "wire broken or corroded", "series", Usual.OCCASIONAL,
        "Repair the wire with staggered, sealed joints.", "Other wires in the same loom.", 45,
    ),
    PartKind.TERMINAL: UsualFault(
        "corroded or loose", "series", Usual.COMMON, "Renew both terminals, seal the joint.",
        "Where the water came from.", 25,
    ),
    PartKind.CONTACT: UsualFault(
        "contacts burnt", "series", Usual.COMMON, "Fit a new relay.", "Measure the current of the load.", 10,
    ),
    PartKind.SWITCH: UsualFault(
        "contacts do not close", "series", Usual.OCCASIONAL, "Fit a new switch.",
        "Water, a load that draws too much.", 30,
    ),
    PartKind.OUTPUT: UsualFault(
        "output does not switch", "stuck-open", Usual.RARE,
        "Check the unit's supplies, earths and coding first, then as its maker says.",
        "What harmed it is found before a new unit goes in.", 90,
    ),
    PartKind.RESISTOR: UsualFault(
        "open circuit", "open", Usual.OCCASIONAL, "Fit a new resistor.", "A load that draws too much cooks it.", 20,
    ),
    PartKind.COIL: UsualFault("coil open", "open", Usual.RARE, "Fit a new relay.", "", 10),
    PartKind.LAMP: UsualFault(
        "filament broken", "open", Usual.COMMON, "Fit a new bulb of the right kind.",
        "Several at once: measure the charging voltage.", 15,
    ),
    PartKind.MOTOR: UsualFault(
        "open circuit", "open", Usual.COMMON, "Fit a new motor.", "What it drives must turn freely by hand.", 45,
    ),
    PartKind.LOAD: UsualFault("open circuit", "open", Usual.COMMON, "Fit a new part.", "Water in its plug.", 20),
}  # fmt: skip


def fault_text(flow: Flow, closed: frozenset[str], part: PartSpec) -> str:
    """How this part usually fails, in the form of the file; ``closed`` are the parts switched on at work.

    Raises:
        SizeUnknown: the circuit cannot be worked out.
    """
    fails = USUAL_FAULTS[part.kind].fails
    if fails != "series":
        return fails
    lowest = _half_lost(flow, closed, part.key)
    return f"series {lowest:g} ohm .. open" if lowest else "open"


def _half_lost(flow: Flow, closed: frozenset[str], part: str) -> float:
    """The resistance that takes :data:`SHARE_LOST` of the supply at this part; 0 where no current flows at work."""
    if flow.circuit is None:
        return 0.0
    circuit, sizes = sized(flow.circuit, sampled_values(flow, {}, 2))
    solution = solution_of(circuit, sizes, Condition(closed=closed))
    amps = float(np.abs(solution.current(circuit.place[part]))[0, 0])
    volts = float(sizes.volts[0].max())
    if amps < 1e-4 or volts <= 0:
        return 0.0
    return float(f"{SHARE_LOST / (1 - SHARE_LOST) * volts / amps:.1g}")


def component_of(circuit: CircuitSpec, part: PartSpec, system: str) -> str:
    """The component a part belongs to: its own, or that of the procedure where none is written."""
    return part.of or system


def mode_of(part: PartSpec, component: str, system: str) -> str:
    """How it fails, said with the part's name where its component is not its own."""
    fault = USUAL_FAULTS[part.kind]
    if component != system and part.kind is not PartKind.WIRE:
        return fault.mode
    words = part.key.replace("-", " ")
    return f"{words} {fault.mode.removeprefix(part.kind.value + ' ')}"
