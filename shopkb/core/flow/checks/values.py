"""Checks on what is measured and computed: bands, units, values, computations."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from shopkb.core.flow.checks.rules import Check, Flaw, at_outcome, at_step, rule
from shopkb.core.flow.checks.value_use import InputFault, input_faults, value_quantity, value_ranges
from shopkb.core.flow.file.scalars import did_you_mean
from shopkb.core.flow.model import ComputedValue, Flow, Step, TestKind
from shopkb.core.readings.bands import Band
from shopkb.core.readings.coverage import BandFault, band_faults
from shopkb.core.readings.expected import COMPUTATIONS
from shopkb.core.readings.plausible import as_written
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import QUANTITIES, UNITS
from shopkb.core.typed_text import quoted, spoken_list

VALUES: list[Check] = []


@rule(VALUES, "reading-missing", "Measuring step without a reading", "Nobody knows what to measure, or in which unit.")
def reading_missing(flow: Flow) -> Iterator[Flaw]:
    for step in flow.steps:
        if step.reading is None and step.test is TestKind.MEASURE:
            fault = f"The step {quoted(step.key)} measures, but does not say what"
            yield Flaw(at_step(step, "reading"), fault, "Add reading: with its quantity and unit.", step.key)


@rule(VALUES, "band-without-reading", "Band without a reading", "There is nothing to hold against the band.")
def band_without_reading(flow: Flow) -> Iterator[Flaw]:
    for step, outcome in flow.branches:
        if outcome.band is not None and step.reading is None:
            fault = f"The outcome has a band, but the step {quoted(step.key)} has no reading"
            hint = "Add reading: to the step, or remove the band."
            yield Flaw(at_outcome(step, outcome, "band"), fault, hint, step.key)


@rule(VALUES, "bands-partial", "Some outcomes with a band, some without", "A reading could not be judged for sure.")
def bands_partial(flow: Flow) -> Iterator[Flaw]:
    for step in flow.steps:
        bare = [outcome.key for outcome in step.outcomes if outcome.band is None]
        if step.reading is not None and bare and len(bare) < len(step.outcomes):
            fault = f"The step {quoted(step.key)} has outcomes with a band and without: {spoken_list(bare, 'and')}"
            yield Flaw(at_step(step, "outcomes"), fault, "Give every outcome a band, or none.", step.key)


@rule(VALUES, "unit-misfit", "Unit that does not fit the quantity", "Volts are no answer where ohms are asked.")
def unit_misfit(flow: Flow) -> Iterator[Flaw]:
    for step in flow.steps:
        reading = step.reading
        if reading is not None and reading.unit not in QUANTITIES.get(reading.quantity, ()):
            known = QUANTITIES.get(reading.quantity, ())
            fault = f"{quoted(reading.unit)} is not a unit of {reading.quantity}"
            hint = f"Use {spoken_list(known)}." if known else f"Use one of: {spoken_list(QUANTITIES)}."
            yield Flaw(at_step(step, "reading.unit"), fault, hint, step.key)


@rule(VALUES, "value-unit-misfit", "Limit of a value in a unit that does not fit", "The limit could not be compared.")
def value_unit_misfit(flow: Flow) -> Iterator[Flaw]:
    for value in flow.values:
        if isinstance(value, ComputedValue) or value.unit not in UNITS:
            continue
        asked = UNITS[value.unit].quantity
        for field, limit in (("from", value.low), ("to", value.high)):
            if limit is not None and limit.quantity != asked:
                fault = f"{limit} is no limit for a value asked in {value.unit}"
                yield Flaw(f"values.{value.key}.{field}", fault, f"Use {spoken_list(QUANTITIES[asked])}.")


@rule(VALUES, "value-limits-swapped", "Limits of a value the wrong way round", "No answer could lie between them.")
def value_limits_swapped(flow: Flow) -> Iterator[Flaw]:
    for value in flow.values:
        if isinstance(value, ComputedValue) or value.low is None or value.high is None:
            continue
        if value.low.quantity == value.high.quantity and value.low.si() > value.high.si():
            fault = f"The value {quoted(value.key)} is from {value.low} to {value.high}"
            yield Flaw(f"values.{value.key}.from", fault, "Write the lower limit behind from:, the higher behind to:.")


# Bands of one step against each other ----------------------------------------------------------------------------


def _band_flaws(flow: Flow, kind: str) -> Iterator[Flaw]:
    for step in flow.steps:
        for fault in _faults(flow, step):
            if fault.kind == kind:
                hint = fault.hint if fault.hint.endswith(".") else f"{fault.hint}."
                yield Flaw(_fault_place(step, fault), fault.message, hint, step.key)


def _fault_place(step: Step, fault: BandFault) -> str:
    return f"steps.{step.key}.outcomes.{fault.keys[0]}.band" if fault.keys else at_step(step, "outcomes")


def _faults(flow: Flow, step: Step) -> tuple[BandFault, ...]:
    reading = step.reading
    bands = tuple((outcome.key, outcome.band) for outcome in step.outcomes if outcome.band is not None)
    if reading is None or not bands or len(bands) < len(step.outcomes):
        return ()
    if reading.unit not in QUANTITIES.get(reading.quantity, ()):
        return ()
    if any(band.names - flow.value_by_key.keys() for _, band in bands):
        return ()  # said by value-undefined
    ranges = value_ranges(flow)
    used = {name: ranges[name] for _, band in bands for name in band.names if name in ranges}
    return _band_faults(bands, reading.quantity, reading.unit, tuple(sorted(used.items())))


@lru_cache(maxsize=512)
def _band_faults(
    bands: tuple[tuple[str, Band], ...],
    quantity: str,
    unit: str,
    ranges: tuple[tuple[str, tuple[Quantity, Quantity]], ...],
) -> tuple[BandFault, ...]:
    return band_faults(bands, quantity, unit, dict(ranges))


@rule(VALUES, "band-gap", "Gap between bands", "A reading in the gap would have no outcome.")
def band_gap(flow: Flow) -> Iterator[Flaw]:
    yield from _band_flaws(flow, "gap")


@rule(VALUES, "band-overlap", "Bands that overlap", "One reading would have two outcomes.")
def band_overlap(flow: Flow) -> Iterator[Flaw]:
    yield from _band_flaws(flow, "overlap")


@rule(VALUES, "band-empty", "Band that no reading fits", "The outcome could never be found.")
def band_empty(flow: Flow) -> Iterator[Flaw]:
    yield from _band_flaws(flow, "empty")


@rule(VALUES, "band-unit", "Band in a unit that does not fit", "The reading could not be compared with it.")
def band_unit(flow: Flow) -> Iterator[Flaw]:
    yield from _band_flaws(flow, "unit")
    for step, outcome in flow.branches:
        if step.reading is None or outcome.band is None:
            continue
        for name in sorted(outcome.band.names - value_ranges(flow).keys()):  # the others are told about above
            measured = value_quantity(flow, name)
            if measured and measured != step.reading.quantity:
                fault = (
                    f"The band uses {quoted(name)}, which is of {measured}, for a reading of {step.reading.quantity}"
                )
                hint = f"Use a value of {step.reading.quantity}."
                yield Flaw(at_outcome(step, outcome, "band"), fault, hint, step.key)


@rule(VALUES, "plausible-range", "Expected readings that do not fit", "Right readings would be asked for again.")
def plausible_range(flow: Flow) -> Iterator[Flaw]:
    for step in flow.steps:
        reading = step.reading
        if reading is None or reading.plausible is None or reading.unit not in QUANTITIES.get(reading.quantity, ()):
            continue
        fault = _plausible_fault(step, reading.plausible, reading.unit)
        if fault:
            hint = "Give two figures, such as 0 V .. 16 V, with every limit of the outcomes between them."
            yield Flaw(at_step(step, "reading.plausible"), fault, hint, step.key)


def _plausible_fault(step: Step, plausible: Band, unit: str) -> str:
    if plausible.over_limit or plausible.names:
        return "What can be expected is not given in figures"
    try:
        expected = as_written(plausible, unit)
    except ReadingError as error:
        return f"What can be expected does not fit the reading: {error.message}"
    for outcome in step.outcomes:
        ends = (outcome.band.low, outcome.band.high) if outcome.band is not None else ()
        for end in ends:
            if end is None or not end.is_constant:
                continue
            try:
                inside = expected.holds(end.evaluate({}, unit))
            except ReadingError:
                continue  # said by band-unit
            if not inside:
                return f"The limit {end.text()} of {quoted(outcome.key)} lies outside what can be expected"
    return ""


# Values and computations -----------------------------------------------------------------------------------------


@rule(VALUES, "value-undefined", "Value that is not defined", "The band or computation could not be worked out.")
def value_undefined(flow: Flow) -> Iterator[Flaw]:
    for step, outcome in flow.branches:
        for name in sorted(outcome.band.names) if outcome.band is not None else ():
            if name not in flow.value_by_key:
                fault = f"The band uses {quoted(name)}, which is not defined"
                hint = f"{did_you_mean(name, flow.value_by_key)}Add it to values: with ask or compute."
                yield Flaw(at_outcome(step, outcome, "band"), fault, hint, step.key)
    yield from _input_flaws(flow, InputFault.UNDEFINED)


@rule(VALUES, "value-order", "Value used before it is known", "Values are asked and computed once, from top to bottom.")
def value_order(flow: Flow) -> Iterator[Flaw]:
    yield from _input_flaws(flow, InputFault.LATER)


@rule(VALUES, "computation-unknown", "Unknown computation", "The value could not be worked out.")
def computation_unknown(flow: Flow) -> Iterator[Flaw]:
    for value in flow.values:
        if isinstance(value, ComputedValue) and value.compute not in COMPUTATIONS:
            near = did_you_mean(value.compute, COMPUTATIONS)
            fault = f"{quoted(value.compute)} is not a computation"
            yield Flaw(f"values.{value.key}.compute", fault, f"{near}Use {spoken_list(COMPUTATIONS)}.")


@rule(VALUES, "computation-input", "Input that a computation cannot use", "The value could not be worked out.")
def computation_input(flow: Flow) -> Iterator[Flaw]:
    yield from _input_flaws(flow, InputFault.UNUSABLE)


def _input_flaws(flow: Flow, kind: InputFault) -> Iterator[Flaw]:
    earlier: set[str] = set()
    for value in flow.values:
        if isinstance(value, ComputedValue):
            for fault in input_faults(value, flow, earlier):
                if fault.kind is kind:
                    yield Flaw(f"values.{value.key}.{fault.field}".rstrip("."), fault.message, fault.hint)
        earlier.add(value.key)
