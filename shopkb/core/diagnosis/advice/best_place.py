"""Between which points at hand a voltmeter would tell most, by the circuit of the procedure.

The information of a reading about the causes still possible, in bits, from what sound tolerances and each fault would
read and from what a usual meter errs by. Readings are taken as a meter resolves them: on a scale whose steps are its
standard uncertainty.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from scipy.special import ndtr

from shopkb.core.circuit.parts import MINUS, Array, Condition, Measured
from shopkb.core.circuit.solving import readings
from shopkb.core.diagnosis.belief.from_circuit import DOUBT
from shopkb.core.flow.circuits.predicted import METER_LEAST, METER_SHARE
from shopkb.core.flow.circuits.sizes import (
    SizeUnknown,
    condition_of,
    faults_of,
    measured_steps,
    sampled_values,
    sized,
)
from shopkb.core.flow.circuits.told import span_words
from shopkb.core.flow.model import Flow, Step

LEAST_MORE: Final = 0.15
"""Bits by which a place has to tell more than what is written."""

QUANTILES: Final = 200
"""The readings of the samples of one fault are joined to as many, evenly between neighbours."""

Probe = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Place:
    """Where the tips go, the bits that the reading tells, what a sound circuit reads there, and one with the likeliest
    cause (its key) that reads otherwise."""

    red: str
    black: str
    bits: float
    sound: str
    cause: str
    with_cause: str


def best_place(
    flow: Flow,
    step: Step,
    chances: Mapping[str, float],
    *,
    done: Collection[str] = (),
    written: float = 0.0,
) -> Place | None:
    """The points that tell most with everything as this step has set it up; None where a written reading does as well.

    ``chances`` are the probabilities of causes by key, ``done`` the steps that were taken, whose readings are not
    proposed again, ``written`` the bits of the best test that is not read in the circuit. Only what steps of the same
    set-up probe is at hand, and of them only those with no caution that this step has not; only voltages, as an
    ohmmeter needs a circuit that is proven dead.
    """
    if flow.circuit is None or step.reading is None or step.reading.quantity != "voltage" or not step.reading.probes:
        return None
    told = _densities(flow, condition_of(step), tuple(combinations(points_at_hand(flow, step), 2)))
    known = {frozenset(probe) for key in done if key in flow.step_by_key for probe in _probes(flow.step_by_key[key])}
    found = {probe: _bits(one, chances) for probe, one in told.items() if frozenset(probe) not in known}
    if not found:
        return None
    best = max(found, key=lambda one: (round(found[one], 3), MINUS in one))  # of equals the one that is taken to earth
    bits = found[best]
    if bits < max([written, *_written(flow, chances, done)]) + LEAST_MORE:
        return None
    sound = span_words(step, told[best].sound)
    spans = {key: span_words(step, volts) for key, volts in told[best].by_cause.items()}
    likeliest = sorted(spans, key=lambda key: -chances.get(key, 0.0))
    cause = next((key for key in likeliest if spans[key] != sound), "")
    return Place(best[0], best[1], bits, sound, cause, spans.get(cause, ""))


def points_at_hand(flow: Flow, step: Step) -> tuple[str, ...]:
    """Where a tip can be put in the set-up of this step, in the order of the file."""
    alike = (other for other in flow.steps if other.access == step.access and set(other.cautions) <= set(step.cautions))
    return tuple(dict.fromkeys(end for other in alike for probe in _probes(other) for end in probe))


def _probes(step: Step) -> tuple[Probe, ...]:
    return tuple((one.first, one.second) for one in step.reading.probes) if step.reading is not None else ()


def information(densities: Array, chances: Array) -> float:
    """Mutual information in bits of a reading and the cause; ``densities`` is causes x readings, each row sums to 1."""
    mixed = chances @ densities
    return max(0.0, float(_entropy(mixed) - chances @ _entropy(densities)))


def _entropy(shares: Array) -> Array:
    return np.asarray(-(shares * np.log2(np.maximum(shares, 1e-300))).sum(axis=-1))


# What would be read, on the meter's own scale ----------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Told:
    """One reading: its density by cause, and what circuits read, sound and with each cause."""

    densities: Mapping[str, Array]
    sound: Array
    by_cause: Mapping[str, Array]


def _bits(told: _Told, chances: Mapping[str, float]) -> float:
    """Of a cause that is not in the circuit a reading tells nothing; nor does it in the share of circuits in doubt."""
    inside = [key for key in told.densities if chances.get(key, 0.0) > 0]
    total = sum(chances.values())
    if len(inside) < 2 or total <= 0:
        return 0.0
    shares = np.array([chances[key] for key in inside]) / total
    densities = np.stack([told.densities[key] for key in inside])
    usual = shares @ densities / shares.sum()
    doubted = (1 - DOUBT) * densities + DOUBT * usual
    return information(np.vstack([doubted, usual]), np.append(shares, max(0.0, 1 - shares.sum())))


def _written(flow: Flow, chances: Mapping[str, float], done: Collection[str]) -> Iterator[float]:
    """Bits of each voltage that a step still to come reads; of the highest of several, those of each."""
    for step, condition, measured in measured_steps(flow.steps):
        if measured.quantity == "voltage" and step.key not in done:
            for told in _densities(flow, condition, measured.probes).values():
                yield _bits(told, chances)


def _densities(flow: Flow, condition: Condition, probes: tuple[Probe, ...]) -> Mapping[Probe, _Told]:
    """By probe, kept in the flow; without those whose reading cannot be told."""
    kept: dict[tuple[Condition, tuple[Probe, ...]], Mapping[Probe, _Told]] = vars(flow).setdefault("_densities", {})
    if (condition, probes) not in kept:
        kept[condition, probes] = _densities_anew(flow, condition, probes)
    return kept[condition, probes]


def _densities_anew(flow: Flow, condition: Condition, probes: tuple[Probe, ...]) -> Mapping[Probe, _Told]:
    if flow.circuit is None or not probes:
        return {}
    try:
        circuit, sizes = sized(flow.circuit, sampled_values(flow, {}))
    except SizeUnknown:
        return {}
    faults = [fault for fault in faults_of(flow) if fault.part in circuit.place]
    table = readings(circuit, sizes, [(condition, Measured("voltage", (probe,))) for probe in probes], faults)
    found: dict[Probe, _Told] = {}
    for (first, second), volts in zip(probes, table, strict=True):
        if np.isfinite(volts).all():
            turned = volts.sum() < 0  # red is put where the voltage is higher
            probe, rows = ((second, first), -volts) if turned else ((first, second), volts)
            densities = on_meter_scale(rows)
            places: dict[str, list[int]] = {}
            for row, fault in enumerate(faults, start=1):
                places.setdefault(fault.cause, []).append(row)
            found[probe] = _Told(
                {key: densities[each].mean(axis=0) for key, each in places.items()},
                rows[0],
                {key: rows[each].ravel() for key, each in places.items()},
            )
    return found


_REACH: Final = 4
_BLUR: Final = np.diff(ndtr(np.arange(-_REACH, _REACH + 2) - 0.5))


def on_meter_scale(volts: Array) -> Array:
    """Rows x samples of volts as rows x readings: the share of each row that a meter shows in each of its steps.

    The scale is the area hyperbolic sine, on which the meter's standard uncertainty is 1 everywhere
    (M. S. Bartlett, The use of transformations, Biometrics 3, 1947).
    """
    scaled = np.sort(np.arcsinh(volts * METER_SHARE / METER_LEAST["voltage"]) / METER_SHARE, axis=1)
    half = int(np.abs(scaled).max()) + _REACH + 2
    at = np.linspace(0, scaled.shape[1] - 1, QUANTILES)
    low = np.minimum(at.astype(int), max(scaled.shape[1] - 2, 0))
    high = np.minimum(low + 1, scaled.shape[1] - 1)
    places = scaled[:, low] + (at - low) * (scaled[:, high] - scaled[:, low]) + half
    steps = np.floor(places).astype(int)
    beyond = places - steps  # what lies between two steps counts for both
    counts = np.stack(
        [
            np.bincount(row, 1 - share, 2 * half + 1) + np.bincount(row + 1, share, 2 * half + 1)
            for row, share in zip(steps, beyond, strict=True)
        ]
    )
    blurred = np.stack([np.convolve(row, _BLUR, "same") for row in counts])
    return np.asarray(blurred / blurred.sum(axis=1, keepdims=True))
