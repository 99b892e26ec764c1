"""The circuit of a procedure as it stands in its file: supply, points and parts, and which part a cause breaks.

What is computed from it: :mod:`shopkb.core.flow.circuits`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from shopkb.core.circuit.parts import MOST_PARTS, PartKind
from shopkb.core.flow.circuit_forms import Defect, Spread
from shopkb.core.flow.fields import Kind, spec
from shopkb.core.readings.expressions import Expression

PART_LIMIT = 4 * MOST_PARTS
"""Parts that can be read; how many can be computed is for the checks to say."""


@dataclass(frozen=True, slots=True)
class SupplySpec:
    """The battery, from battery+ to battery-."""

    volts: Expression = field(metadata=spec(Kind.AMOUNT, "its voltage at no load: a value or 12.6 V"))
    ohms: Expression | None = field(
        default=None, metadata=spec(Kind.AMOUNT, "its internal resistance; 10 mohm if left out")
    )
    within: Spread | None = field(
        default=None, metadata=spec(Kind.SPREAD, "what its voltage differs by meanwhile, such as 4 %")
    )


@dataclass(frozen=True, slots=True)
class PointSpec:
    """A place where a tip can be put, as people call it."""

    key: str
    name: str = field(default="", metadata=spec(Kind.LINE, "what the point is called"))
    letter: str = field(default="", metadata=spec(Kind.LINE, "its letter in drawing and instructions"))
    access: str = field(
        default="",
        metadata=spec(Kind.KEY, "set-up state from the catalog in which a tip reaches it, for a first draft"),
    )


@dataclass(frozen=True, slots=True)
class PartSpec:
    """One part between two points. Its size: ohms; or, of a wire, area and length; or amps at a voltage."""

    key: str
    kind: PartKind = field(metadata=spec(Kind.PART_KIND, "what it is"))
    first: str = field(metadata=spec(Kind.POINT, "the point at one end, the positive one of a supply", name="from"))
    second: str = field(metadata=spec(Kind.POINT, "the point at the other end", name="to"))
    ohms: Expression | None = field(default=None, metadata=spec(Kind.AMOUNT, "its resistance, switched on"))
    amps: Expression | None = field(default=None, metadata=spec(Kind.AMOUNT, "the current it takes at the voltage at"))
    at: Expression | None = field(
        default=None, metadata=spec(Kind.AMOUNT, "the voltage at which it takes amps; 13 V if left out")
    )
    area: Expression | None = field(default=None, metadata=spec(Kind.AMOUNT, "cross-section of a copper wire"))
    length: Expression | None = field(default=None, metadata=spec(Kind.AMOUNT, "length of a copper wire"))
    temperature: Expression | None = field(
        default=None, metadata=spec(Kind.AMOUNT, "of a copper wire; 20 degC if left out")
    )
    volts: Expression | None = field(default=None, metadata=spec(Kind.AMOUNT, "voltage at no load of a further supply"))
    within: Spread | None = field(
        default=None, metadata=spec(Kind.SPREAD, "what sound ones differ by: 10 % or 0 mohm .. 8 mohm")
    )
    cold: Expression | None = field(
        default=None, metadata=spec(Kind.AMOUNT, "what an ohmmeter reads of a load, lamp or motor")
    )
    rating: Expression | None = field(default=None, metadata=spec(Kind.AMOUNT, "current a fuse is made for"))
    coil: str = field(default="", metadata=spec(Kind.KEY, "the part whose current closes this contact"))
    connector: str = field(default="", metadata=spec(Kind.LINE, "what is unplugged to open it, as in isolates"))
    of: str = field(default="", metadata=spec(Kind.PATH, "path of the component it belongs to"))


@dataclass(frozen=True, slots=True)
class CircuitSpec:
    """The circuit that the steps of a procedure measure."""

    supply: SupplySpec | None = field(default=None, metadata=spec(Kind.GROUP, "the battery", of=SupplySpec))
    points: tuple[PointSpec, ...] = field(
        default=(), metadata=spec(Kind.GROUP, "what points are called; others go by their key", limit=PART_LIMIT)
    )
    parts: tuple[PartSpec, ...] = field(
        default=(), metadata=spec(Kind.GROUP, "what joins two points each, by key", limit=PART_LIMIT)
    )

    def point_name(self, key: str) -> str:
        """What a point is called, with its letter where it has one."""
        for point in self.points:
            if point.key == key:
                name = point.name or key.replace("-", " ")
                return f"{name} ({point.letter})" if point.letter else name
        return {"battery+": "battery positive", "battery-": "battery negative"}.get(key, key.replace("-", " "))


@dataclass(frozen=True, slots=True)
class FaultSpec:
    """What a cause is in the circuit: one of some parts, and how it fails."""

    parts: tuple[str, ...] = field(
        default=(),
        metadata=spec(
            Kind.KEY,
            "the part, or several of which any one fails so",
            limit=12,
            label="Parts in the circuit",
            fact="fails in",
        ),
    )
    how: Defect | None = field(
        default=None,
        metadata=spec(
            Kind.DEFECT,
            "open, series RANGE, value RANGE, times RANGE, short, to-earth, to-supply, stuck-open or stuck-closed",
            name="is",
            label="Fails in the circuit by",
            fact="fails by",
        ),
    )
