"""What a device needs to work out the limits of a step by itself: values known, how others follow, and the ranges."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from shopkb.core.flow.model import AskedValue, ComputedValue, Flow, Outcome, ReadingSpec, Step
from shopkb.core.readings.expressions import Expression
from shopkb.core.readings.plausible import (
    LEAST,
    SHOWS_OVER_LIMIT,
    TIMES_THE_LIMIT,
    USUAL,
    WITHOUT_UPPER_END,
    as_written,
)
from shopkb.core.readings.products import Product, as_product, as_sum
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import QUANTITIES, STARTS_AT_ZERO, UNITS


def limits_of(flow: Flow, step: Step, values: Mapping[str, Quantity]) -> dict[str, Any]:
    """For one step: ``known`` values by key, ``computed`` ones in order, the ``ends`` of each outcome's range in the
    step's unit, and what can be expected of a reading. Empty where nothing is measured.

    A range that rests on what the device cannot work out has no ends: there its formula is shown.
    """
    if step.reading is None:
        return {}
    units = {each.key: each.unit for each in flow.values if isinstance(each, AskedValue)}
    computed: list[dict[str, Any]] = []
    for each in flow.values:
        product = as_product(each.compute, each.inputs, units) if isinstance(each, ComputedValue) else None
        if product is not None:
            units[each.key] = product.unit
            computed.append({"key": each.key, **_product(product)})
    unit = step.reading.unit
    ends = {outcome.key: ends for outcome in step.outcomes if (ends := _ends(outcome, units, unit)) is not None}
    return {
        "known": {key: _number(value, units[key]) for key, value in values.items() if key in units},
        "computed": computed,
        "ends": ends,
        "sign": UNITS[unit].sign,
        "bands": sum(outcome.band is not None and not outcome.band.over_limit for outcome in step.outcomes),
        **_expectation(step, step.reading),
    }


def spellings(quantity: str) -> dict[str, list[float]]:
    """Every accepted spelling of the units of a quantity: its scale and offset to the SI unit."""
    return {
        spelling: [float(unit.scale), float(unit.offset)]
        for unit in (UNITS[symbol] for symbol in QUANTITIES[quantity])
        for spelling in (unit.symbol, unit.sign, unit.spoken.replace(" ", ""), *unit.aliases)
    }


def _product(product: Product) -> dict[str, Any]:
    of = [
        {
            "name": name, "scale": scale, "power": factor.power, "size": factor.size,
            "table": {f"{at:g}": found for at, found in factor.table.items()},
        }
        for name, scale, factor in product.of
    ]  # fmt: skip
    return {"size": product.size, "of": of}


def _ends(outcome: Outcome, units: Mapping[str, str], unit: str) -> dict[str, Any] | None:
    band = outcome.band
    if band is None or band.over_limit or not band.names <= units.keys():
        return None
    try:
        low, high = _end(band.low, units, unit), _end(band.high, units, unit)
    except ReadingError:
        return None
    return {"low": low, "high": high, "lowOpen": band.low_open, "highOpen": band.high_open}


def _end(end: Expression | None, units: Mapping[str, str], unit: str) -> dict[str, Any] | None:
    if end is None:
        return None
    found = as_sum(end, units, unit)
    return {"constant": found.constant, "of": [list(pair) for pair in found.of]}


def _number(value: Quantity, unit: str) -> float:
    return float(value.exact(unit))


def _expectation(step: Step, spec: ReadingSpec) -> dict[str, Any]:
    """As :func:`shopkb.core.readings.plausible.expected` has it, for limits that come to be known on the device."""
    written = as_written(spec.plausible, spec.unit) if spec.plausible else None
    usual = _inside(USUAL.get(spec.quantity, ()), spec.unit)
    least = LEAST.get(spec.quantity)
    return {
        "written": {"low": _end_of(written.low), "high": _end_of(written.high)} if written else None,
        "times": 0 if spec.quantity in WITHOUT_UPPER_END else TIMES_THE_LIMIT,
        "usual": usual,
        "least": float(least.exact(spec.unit)) if least is not None else None,
        "belowZero": spec.quantity not in STARTS_AT_ZERO,
        "over": spec.quantity in SHOWS_OVER_LIMIT or any(row.band and row.band.over_limit for row in step.outcomes),
    }


def _end_of(number: float) -> float | None:
    """An end as JSON can hold it."""
    return number if math.isfinite(number) else None


def _inside(usual: Iterable[Quantity], unit: str) -> list[float]:
    return [float(end.exact(unit)) for end in usual]
