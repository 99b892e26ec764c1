"""Limits as products and sums: what a device works out without the server is what the server works out."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.readings.bands import parse_band
from shopkb.core.readings.computations import Given
from shopkb.core.readings.expected import COMPUTATIONS
from shopkb.core.readings.products import as_product, as_sum
from shopkb.core.readings.quantities import Quantity

WITH_FACTORS = sorted(name for name, each in COMPUTATIONS.items() if each.factors)
OTHERS = {"temperature": 20.0, "voltage": 13.0, "resistance": 0.005, "duty": 40.0}


def whole(name: str, numbers: dict[str, float]) -> float:
    computation = COMPUTATIONS[name]
    words = {each.name: each.default for each in computation.inputs if each.choices}
    return float(computation.compute(Given({**OTHERS, **numbers}, words)).value.magnitude)


@pytest.mark.parametrize("name", WITH_FACTORS)
@given(data=st.data())
def test_a_result_changes_with_each_factor_as_it_says(name: str, data: st.DataObject) -> None:
    """Twice the computation, one input changed: the ratio is that of the factor."""
    factors = COMPUTATIONS[name].factors
    sizes = st.one_of(st.sampled_from([0.5, 1.0, 2.5, 4.0, 6.0]), st.floats(0.1, 50))
    numbers = {each: data.draw(sizes, label=each) for each in factors}
    changed = data.draw(st.sampled_from(sorted(factors)))
    other = {**numbers, changed: data.draw(sizes, label="other")}
    ratio = factors[changed].at(other[changed]) / factors[changed].at(numbers[changed])
    assert whole(name, other) == pytest.approx(whole(name, numbers) * ratio, rel=1e-5)


def test_what_is_no_product_of_its_values_is_left_to_the_server() -> None:
    assert as_product("duty-to-mean-voltage", (("duty", "shown"), ("supply", "12 V")), {"shown": "%"}) is None
    assert as_product("no-such-thing", (), {}) is None


def test_a_product_takes_values_in_their_own_units() -> None:
    inputs = (("resistance", "joint"), ("current", "load"))
    found = as_product("resistance-drop", inputs, {"joint": "mohm", "load": "mA"})
    assert found is not None
    value = found.size
    for (_name, scale, factor), number in zip(found.of, (5.0, 20_000.0), strict=True):
        value *= factor.at(number * scale)
    assert (found.unit, value) == ("V", pytest.approx(0.1))


@pytest.mark.parametrize(
    ("text", "unit", "values"),
    [
        ("< drop * 1.3 + 0.1 V", "mV", {"drop": ("0.25", "V")}),
        (">= battery - 300 mV", "V", {"battery": ("12.6", "V")}),
        ("> ambient + 10 degC", "degF", {"ambient": ("18", "degC")}),
        ("ambient .. 95 degC", "degC", {"ambient": ("64.4", "degF")}),
        ("<= 20 degC - ambient + other", "degC", {"ambient": ("3", "degC"), "other": ("5", "K")}),
    ],
)
def test_the_end_of_a_band_is_the_sum_it_is_said_to_be(text: str, unit: str, values: dict[str, Any]) -> None:
    band = parse_band(text)
    given_values = {name: Quantity(Decimal(number), own) for name, (number, own) in values.items()}
    whole_band = band.resolve(given_values, unit)
    units = {name: own for name, (_number, own) in values.items()}
    for end, number in ((band.low, whole_band.low), (band.high, whole_band.high)):
        if end is not None:
            found = as_sum(end, units, unit)
            assert found.constant + sum(times * float(values[name][0]) for name, times in found.of) == pytest.approx(
                number
            )
