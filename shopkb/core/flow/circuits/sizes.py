"""The written circuit of a flow as numbers: parts, their sizes over samples, and what each step does and measures."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

import numpy as np

from shopkb.core.circuit.parts import (
    MINUS,
    PLUS,
    WARM,
    Array,
    Circuit,
    Condition,
    Fault,
    FaultKind,
    Lead,
    Measured,
    Part,
    PartKind,
    Sizes,
)
from shopkb.core.flow.circuit_forms import Defect, Join, Spread
from shopkb.core.flow.circuit_spec import CircuitSpec, PartSpec
from shopkb.core.flow.model import AskedValue, Flow, Step
from shopkb.core.readings.expected import compute
from shopkb.core.readings.expressions import Expression
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.wiring import copper_resistance, flexible_resistance

SAMPLES: Final = 25
"""The first is the usual one: everything in the middle of its range."""

SEED: Final = 19

SUPPLY: Final = "battery"
"""What the supply of the circuit is called among its parts."""

LEAD_OHMS: Final = 0.02
"""A fused lead with its clips (common practice)."""

USUAL_VOLTS: Final = 13.0
"""At which loads are rated, where the file does not say."""

USUAL_SPREAD: Final = 0.1

OPEN_UP_TO: Final = 1000.0
"""A resistance that has no end short of an open circuit goes up to this multiple of its lower end in three samples of
four, and is open in the fourth."""

SHORT_OHMS: Final = (0.001, 0.1)
"""A short whose resistance is not written."""

READ: Final = frozenset({"voltage", "current", "resistance"})

USUAL_OHMS: Final[Mapping[PartKind, tuple[float, float]]] = {
    PartKind.FUSE: (0.001, 0.008),
    PartKind.TERMINAL: (0.0005, 0.005),
    PartKind.CONTACT: (0.0015, 0.02),
    PartKind.SWITCH: (0.005, 0.05),
    PartKind.SUPPLY: (0.005, 0.015),
}
"""Resistance of sound parts whose size is not written: contacts of relays from component data sheets (0.015 to 0.2 V at
10 A), the others common practice."""

Values = Mapping[str, Quantity]


@dataclass(frozen=True)
class Sampled:
    """The values of a run, one mapping a sample."""

    values: tuple[Values, ...]

    @property
    def count(self) -> int:
        return len(self.values)


class SizeUnknown(Exception):
    """A size that cannot be worked out. ``where`` is the field, ``message`` and ``hint`` are for the writer."""

    def __init__(self, where: str, message: str, hint: str) -> None:
        self.where, self.message, self.hint = where, message, hint
        super().__init__(message)


def spread_out(columns: int, samples: int = SAMPLES) -> Array:
    """Samples x columns between 0 and 1: the first in the middle, the others each part of the range once in a column
    (M. D. McKay, R. J. Beckman and W. J. Conover, A comparison of three methods, Technometrics 21, 1979)."""
    order = np.random.default_rng(SEED)
    rest = samples - 1
    table = np.full((samples, columns), 0.5)
    for column in range(columns):
        table[1:, column] = (order.permutation(rest) + 0.5) / rest
    return table


def sampled_values(flow: Flow, known: Values, samples: int = SAMPLES) -> Sampled:
    """The values of a flow over its samples: those known as they are, those asked anywhere between their limits."""
    asked = [value for value in flow.values if isinstance(value, AskedValue) and value.key not in known]
    shares = spread_out(len(asked), samples)
    rows: list[dict[str, Quantity]] = []
    for row in shares:
        held = dict(known)
        for value, share in zip(asked, row, strict=True):
            if value.low is None or value.high is None:
                continue
            with suppress(ReadingError):  # limits of another quantity, which a check of its own tells
                held[value.key] = _between(value.low, value.high, float(share))
        for computed in flow.values:
            if not isinstance(computed, AskedValue) and computed.key not in held:
                try:
                    held[computed.key] = compute(computed.compute, dict(computed.inputs), held).value
                except ReadingError:
                    continue
        rows.append(held)
    return Sampled(tuple(rows))


def _between(low: Quantity, high: Quantity, share: float) -> Quantity:
    first, last = float(low.magnitude), float(high.exact(low.unit))
    return Quantity(Decimal(f"{first + share * (last - first):.6g}"), low.unit)


def circuit_of(spec: CircuitSpec) -> Circuit:
    """The parts of a written circuit; its supply comes first."""
    supply = [Part(SUPPLY, PartKind.SUPPLY, PLUS, MINUS)] if spec.supply is not None else []
    return Circuit(
        (*supply, *(Part(one.key, one.kind, one.first, one.second, one.coil, one.connector) for one in spec.parts))
    )


def sized(spec: CircuitSpec, sampled: Sampled) -> tuple[Circuit, Sizes]:
    """The circuit with its sizes.

    Raises:
        SizeUnknown: a part has no size, or a value that its size needs has no limits.
    """
    plain = circuit_of(spec)
    count = len(plain.parts)
    shares = spread_out(count, sampled.count)
    ohms, volts, cold = (
        np.zeros((sampled.count, count)),
        np.zeros((sampled.count, count)),
        np.full((sampled.count, count), np.nan),
    )
    parts = list(plain.parts)
    first = 0
    if spec.supply is not None:
        first, where = 1, "circuit.supply"
        volts[:, 0] = _amounts(spec.supply.volts, sampled, "V", f"{where}.volts")
        volts[:, 0] *= 1 + (2 * shares[:, 0] - 1) * _share(spec.supply.within, 0.0)
        ohms[:, 0] = 0.01 if spec.supply.ohms is None else _amounts(spec.supply.ohms, sampled, "ohm", f"{where}.ohms")
    for column, part in enumerate(spec.parts, start=first):
        where = f"circuit.parts.{part.key}"
        ohms[:, column] = _ohms(part, sampled, shares[:, column], where)
        if part.volts is not None:
            volts[:, column] = _amounts(part.volts, sampled, "V", f"{where}.volts")
        if part.kind in WARM and part.cold is not None:
            cold[:, column] = _amounts(part.cold, sampled, "ohm", f"{where}.cold")
        if part.rating is not None:
            rating = float(_amounts(part.rating, sampled, "A", f"{where}.rating").max())
            old = parts[column]
            parts[column] = Part(old.key, old.kind, old.first, old.second, old.coil, old.connector, rating)
    return Circuit(tuple(parts)), Sizes(ohms, volts, cold)


def _share(spread: Spread | None, otherwise: float) -> float:
    return otherwise if spread is None or spread.percent is None else float(spread.percent) / 100


def _ohms(part: PartSpec, sampled: Sampled, shares: Array, where: str) -> Array:
    """The resistance of one part over the samples, within its spread."""
    if part.within is not None and part.within.low is not None and part.within.high is not None:
        low, high = (float(end.exact("ohm")) for end in (part.within.low, part.within.high))
        return low + shares * (high - low)
    if part.ohms is None and part.amps is None and part.area is None:
        if part.kind not in USUAL_OHMS:
            hint = "Add ohms:, of a load amps: and at:, of a wire area: and length:."
            raise SizeUnknown(where, f"The {part.kind} {part.key} has no size", hint)
        low, high = USUAL_OHMS[part.kind]
        return low * (high / low) ** shares
    middle, least, most = _middle(part, sampled, where)
    if part.within is None and part.area is not None:
        return np.asarray(least + shares * (most - least))
    return np.asarray(middle * (1 + (2 * shares - 1) * _share(part.within, USUAL_SPREAD)))


def _middle(part: PartSpec, sampled: Sampled, where: str) -> tuple[Array, Array, Array]:
    """Usual, lowest and highest resistance as they are written; the last two differ for wires alone."""
    if part.ohms is not None:
        ohms = _amounts(part.ohms, sampled, "ohm", f"{where}.ohms")
        return ohms, ohms, ohms
    if part.amps is not None:
        at = np.full(sampled.count, USUAL_VOLTS) if part.at is None else _amounts(part.at, sampled, "V", f"{where}.at")
        amps = _amounts(part.amps, sampled, "A", f"{where}.amps")
        if np.any(amps <= 0):
            raise SizeUnknown(f"{where}.amps", f"{part.key} takes no current", "Give a current above 0 A.")
        return at / amps, at / amps, at / amps
    if part.area is None or part.length is None:
        raise SizeUnknown(where, f"The wire {part.key} has area or length alone", "Give both, or ohms.")
    areas = _amounts(part.area, sampled, "mm2", f"{where}.area")
    lengths = _amounts(part.length, sampled, "m", f"{where}.length")
    degrees = [20.0] * sampled.count
    if part.temperature is not None:
        degrees = [float(each) for each in _amounts(part.temperature, sampled, "degC", f"{where}.temperature")]
    if np.any(areas <= 0):
        raise SizeUnknown(f"{where}.area", f"{part.key} has no cross-section", "Give an area above 0 mm2.")
    low, high = (
        lengths * np.array([of(float(area), warm) for area, warm in zip(areas, degrees, strict=True)])
        for of in (copper_resistance, flexible_resistance)
    )
    return (low + high) / 2, low, high


def _amounts(amount: Expression, sampled: Sampled, unit: str, where: str) -> Array:
    try:
        if amount.is_constant:
            return np.full(sampled.count, amount.evaluate({}, unit))
        return np.array([amount.evaluate(values, unit) for values in sampled.values])
    except ReadingError as error:
        hint = error.hint if error.hint.endswith(".") else f"{error.hint}."
        if error.message.endswith("has no value yet"):
            hint = "Give the value limits, from: and to:, or write a number with its unit."
        raise SizeUnknown(where, f"{amount.text()} cannot be worked out: {error.message}", hint) from None


# Steps and causes -------------------------------------------------------------------------------------------------


def condition_of(step: Step) -> Condition:
    """What a step switches, unplugs and joins."""
    return Condition(
        frozenset(one.part for one in step.state if one.closed),
        frozenset(one.part for one in step.state if not one.closed),
        frozenset(" ".join(one.lower().split()) for one in step.isolates),
        tuple(_lead(one) for one in step.leads),
    )


def _lead(join: Join) -> Lead:
    return Lead(join.first, join.second, LEAD_OHMS if join.ohms is None else float(join.ohms.exact("ohm")))


def measured_of(step: Step) -> Measured | None:
    """What a step reads in the circuit; None where it reads nothing there."""
    reading = step.reading
    if reading is None or reading.quantity not in READ or not (reading.probes or reading.through):
        return None
    if reading.quantity == "current":
        return Measured("current", through=reading.through) if reading.through else None
    return (
        Measured(reading.quantity, tuple((one.first, one.second) for one in reading.probes)) if reading.probes else None
    )


def faults_of(flow: Flow, samples: int = SAMPLES) -> tuple[Fault, ...]:
    """Each cause that is in the circuit, once for each of its parts."""
    written = [(cause.key, cause.fault) for cause in flow.causes if cause.fault is not None]
    rows = [(key, part, fault.how) for key, fault in written for part in fault.parts if fault.how is not None]
    shares = spread_out(len(rows), samples)
    return tuple(
        Fault(key, part, how.kind, fault_ohms(how, shares[:, column])) for column, (key, part, how) in enumerate(rows)
    )


def fault_ohms(how: Defect, shares: Array) -> Array:
    """The resistance of a fault over the samples, evenly on the logarithm: most faults are small."""
    if how.low is None:
        low, high = SHORT_OHMS
        return np.asarray(low * (high / low) ** shares)
    if how.kind is FaultKind.TIMES and how.high is not None:
        low, high = (max(float(end.exact("%")) / 100, 1e-4) for end in (how.low, how.high))
        return np.asarray(low * (high / low) ** shares)
    low = max(float(how.low.exact("ohm")), 1e-4)
    if how.high is not None:
        high = max(float(how.high.exact("ohm")), low)
        return np.asarray(low * (high / low) ** shares)
    return np.where(shares > 0.75, math.inf, low * OPEN_UP_TO ** np.minimum(shares / 0.75, 1))


def measured_steps(steps: Sequence[Step]) -> Iterator[tuple[Step, Condition, Measured]]:
    """The steps whose reading the circuit tells."""
    for step in steps:
        measured = measured_of(step)
        if measured is not None:
            yield step, condition_of(step), measured
