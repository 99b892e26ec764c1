"""How the values of a flow use each other, and the limits of each."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum, auto
from itertools import product

from shopkb.core.flow.file.scalars import did_you_mean
from shopkb.core.flow.memoize import memoized
from shopkb.core.flow.model import AskedValue, ComputedValue, Flow
from shopkb.core.identifiers import NAME_FORM
from shopkb.core.readings.expected import COMPUTATIONS, Computation, Input, compute
from shopkb.core.readings.parsing import find_unit, parse_quantity
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import UNITS
from shopkb.core.typed_text import quoted, spoken_list

Ranges = Mapping[str, tuple[Quantity, Quantity]]

MOST_CORNERS = 64
"""Combinations of limits tried for one computed value: six inputs that depend on asked values."""


class InputFault(Enum):
    UNDEFINED = auto()
    LATER = auto()
    UNUSABLE = auto()


@dataclass(frozen=True, slots=True)
class FaultyInput:
    """What is wrong with one input; ``field`` is empty when it concerns the value as a whole."""

    kind: InputFault
    field: str
    message: str
    hint: str


def input_faults(value: ComputedValue, flow: Flow, earlier: Collection[str]) -> Iterator[FaultyInput]:
    """What is wrong with the inputs of a computed value, ``earlier`` being the values known before it."""
    computation = COMPUTATIONS.get(value.compute)
    if computation is None:
        return
    known = {each.name: each for each in computation.inputs}
    faults = [_unknown(name, computation) for name, _ in value.inputs if name not in known]
    given = dict(value.inputs)
    faults += [_missing(each, computation) for each in computation.inputs if each.needed and each.name not in given]
    for name, text in value.inputs:
        if name in known and known[name].quantity and (fault := _input_fault(known[name], text, flow, earlier)):
            faults.append(fault)
    yield from faults or _uncomputable(value, flow, earlier)


def _unknown(name: str, computation: Computation) -> FaultyInput:
    names = [each.name for each in computation.inputs]
    hint = f"{did_you_mean(name, names)}It takes {spoken_list(names, 'and')}."
    return FaultyInput(InputFault.UNUSABLE, name, f"{quoted(name)} is not an input of {computation.name}", hint)


def _missing(needed: Input, computation: Computation) -> FaultyInput:
    return FaultyInput(
        InputFault.UNUSABLE, "", f"{computation.name} needs {needed.name}", f"Add {needed.name}: {needed.words}."
    )


def _is_name(text: str) -> bool:
    return re.fullmatch(NAME_FORM, text) is not None


def _input_fault(wanted: Input, text: str, flow: Flow, earlier: Collection[str]) -> FaultyInput | None:
    if not _is_name(text):
        try:
            parse_quantity(text, wanted.quantity)
        except ReadingError as error:
            return FaultyInput(InputFault.UNUSABLE, wanted.name, error.message, _stopped(error.hint))
        return None
    if text not in flow.value_by_key:
        hint = f"{did_you_mean(text, flow.value_by_key)}Add it to values: above, or write a number with its unit."
        return FaultyInput(InputFault.UNDEFINED, wanted.name, f"{quoted(text)} is not defined", hint)
    if text not in earlier:
        message = f"{quoted(text)} is not known yet when this value is computed"
        return FaultyInput(
            InputFault.LATER, wanted.name, message, "Move this value below it; two values cannot use each other."
        )
    measured = value_quantity(flow, text)
    if measured and measured != wanted.quantity:
        message = f"{quoted(text)} is of {measured}, but {wanted.quantity} is needed"
        return FaultyInput(InputFault.UNUSABLE, wanted.name, message, f"Use a value of {wanted.quantity}.")
    return None


def _stopped(hint: str) -> str:
    return hint if not hint or hint.endswith(".") else f"{hint}."


def value_quantity(flow: Flow, name: str) -> str:
    """The quantity of a value (``voltage``); empty where it is not known."""
    value = flow.value_by_key.get(name)
    if isinstance(value, AskedValue):
        try:
            return find_unit(value.unit).quantity
        except ReadingError:
            return ""
    if value is not None and value.compute in COMPUTATIONS:
        return COMPUTATIONS[value.compute].result_quantity
    return ""


def _uncomputable(value: ComputedValue, flow: Flow, earlier: Collection[str]) -> Iterator[FaultyInput]:
    """The fault of inputs that are each valid but for which the computation has no result."""
    ranges = {name: limits for name, limits in value_ranges(flow).items() if name in earlier}
    if not _names(value, flow) <= ranges.keys():
        return
    for values in _corners(_names(value, flow), ranges):
        try:
            compute(value.compute, dict(value.inputs), values)
        except ReadingError as error:
            yield FaultyInput(InputFault.UNUSABLE, "", error.message, _stopped(error.hint))
            return


def _names(value: ComputedValue, flow: Flow) -> set[str]:
    return {text for _, text in value.inputs if text in flow.value_by_key}


def value_ranges(flow: Flow) -> Ranges:
    """Lowest and highest of each value whose limits are known.

    A computed value is worked out for each combination of the limits of what it uses; that bounds it because every
    computation rises or falls steadily in each of its inputs.
    """
    return memoized(flow, "_value_ranges", _value_ranges)


def _value_ranges(flow: Flow) -> Ranges:
    ranges: dict[str, tuple[Quantity, Quantity]] = {}
    for value in flow.values:
        limits = _asked_range(value) if isinstance(value, AskedValue) else _computed_range(value, flow, ranges)
        if limits is not None:
            ranges[value.key] = limits
    return ranges


def _asked_range(value: AskedValue) -> tuple[Quantity, Quantity] | None:
    if value.low is None or value.high is None or value.unit not in UNITS:
        return None
    if not value.low.quantity == value.high.quantity == UNITS[value.unit].quantity:
        return None
    return (value.low, value.high) if value.low.si() <= value.high.si() else None


def _computed_range(value: ComputedValue, flow: Flow, ranges: Ranges) -> tuple[Quantity, Quantity] | None:
    names = _names(value, flow)
    if value.compute not in COMPUTATIONS or not names <= ranges.keys():
        return None
    try:
        found = [compute(value.compute, dict(value.inputs), values).value for values in _corners(names, ranges)]
    except ReadingError:
        return None
    found.sort(key=Quantity.si)
    return (found[0], found[-1]) if found else None


def _corners(names: Collection[str], ranges: Ranges) -> Iterator[dict[str, Quantity]]:
    ordered = sorted(names)
    if 2 ** len(ordered) > MOST_CORNERS:
        return
    for corner in product(*(ranges[name] for name in ordered)):
        yield dict(zip(ordered, corner, strict=True))
