"""A circuit as frozen values: parts that join points, what a step switches and measures, and what can fail.

Sizes are kept apart (:class:`Sizes`): arrays over samples, so that tolerances and the values of a run are solved
at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

PLUS: Final = "battery+"
MINUS: Final = "battery-"
"""The terminals of the supply; voltages are counted from the second."""

MOST_PARTS: Final = 60


class PartKind(StrEnum):
    """What a part is; the words stand in the procedure file as they are."""

    WIRE = "wire"
    FUSE = "fuse"
    TERMINAL = "terminal"
    CONTACT = "contact"
    SWITCH = "switch"
    OUTPUT = "output"
    RESISTOR = "resistor"
    COIL = "coil"
    LAMP = "lamp"
    MOTOR = "motor"
    LOAD = "load"
    SUPPLY = "supply"


SWITCHED: Final = frozenset({PartKind.CONTACT, PartKind.SWITCH, PartKind.OUTPUT})
"""Open unless the step, or the coil of the relay, closes them."""

WARM: Final = frozenset({PartKind.LAMP, PartKind.MOTOR, PartKind.LOAD})
"""An ohmmeter does not see what they are at work: filaments are cold, motors stand."""


class FaultKind(StrEnum):
    """How a part fails; the words stand in the procedure file as they are."""

    OPEN = "open"
    SERIES = "series"
    SHORT = "short"
    TO_EARTH = "to-earth"
    TO_SUPPLY = "to-supply"
    VALUE = "value"
    TIMES = "times"
    STUCK_OPEN = "stuck-open"
    STUCK_CLOSED = "stuck-closed"


@dataclass(frozen=True, slots=True)
class Part:
    """A part between two points. A supply has its positive end first.

    ``coil`` is the key of the coil that closes a contact. ``connector`` names what is unplugged to open the part.
    ``rating`` is of a fuse, in ampere.
    """

    key: str
    kind: PartKind
    first: str
    second: str
    coil: str = ""
    connector: str = ""
    rating: float = float("inf")


@dataclass(frozen=True)
class Circuit:
    """All parts of a circuit; points are what they join."""

    parts: tuple[Part, ...]

    @cached_property
    def points(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(point for part in self.parts for point in (part.first, part.second)))

    @cached_property
    def place(self) -> dict[str, int]:
        """The number of each part by its key."""
        return {part.key: number for number, part in enumerate(self.parts)}


@dataclass(frozen=True, slots=True)
class Sizes:
    """Samples x parts: resistance in ohm and, of supplies, volts at no load. The first sample is the usual one.

    ``cold`` is what an ohmmeter sees of a part; not a number where that is not known.
    """

    ohms: Array
    volts: Array
    cold: Array


@dataclass(frozen=True, slots=True)
class Lead:
    """What a step joins by a lead or a test lamp, in ohm."""

    first: str
    second: str
    ohms: float


@dataclass(frozen=True, slots=True)
class Condition:
    """What a step does to the circuit before it measures.

    ``closed`` and ``opened`` are keys of switched parts, ``unplugged`` names of connectors in small letters.
    """

    closed: frozenset[str] = frozenset()
    opened: frozenset[str] = frozenset()
    unplugged: frozenset[str] = frozenset()
    leads: tuple[Lead, ...] = ()


LEAD: Final = "lead"
"""What a clamp is put around when it is not a part of the circuit: the first lead of the step."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What is read: the highest of some voltages or resistances (red point, black point), or the current through a
    part."""

    quantity: str
    probes: tuple[tuple[str, str], ...] = ()
    through: str = ""


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of one part. ``ohms`` has one figure a sample; of ``value`` it is what the resistance is, of ``times``
    what it is multiplied by; of the kinds that know no figure it is not looked at."""

    cause: str
    part: str
    kind: FaultKind
    ohms: Array
