"""Checks on readings, bands and values: what each finds, word for word, and sound flows in which it finds nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shopkb.core.flow.checks.value_use import value_quantity, value_ranges
from shopkb.core.flow.checks.values import VALUES
from shopkb.core.flow.model import AskedValue, ComputedValue, Flow, TestKind, Value
from shopkb.core.readings.bands import parse_band
from shopkb.core.readings.expected import COMPUTATIONS
from shopkb.core.readings.parsing import parse_quantity
from shopkb.core.typed_text import spoken_list
from tests.core.flow.builders import flow, measure, outcome, step
from tests.core.flow.checks.test_logic import only


def asked(key: str, unit: str, low: str = "", high: str = "") -> AskedValue:
    return AskedValue(key, key, unit, parse_quantity(low) if low else None, parse_quantity(high) if high else None)


def drop(key: str = "drop", **inputs: str) -> ComputedValue:
    given = {"area": "1.5 mm2", "length": "4 m", "current": "6 A", "temperature": "40 degC", **inputs}
    return ComputedValue(key, "copper-cable-drop", tuple((name, text) for name, text in given.items() if text))


def banded(*bands: str, values: tuple[Value, ...] = (), quantity: str = "voltage", unit: str = "V") -> Flow:
    outcomes = [outcome(f"o{number}", "out", band) for number, band in enumerate(bands, start=1)]
    return flow(measure("supply", *outcomes, quantity=quantity, unit=unit), values=values)


def replaced_reading(made: Flow, **changes: object) -> Flow:
    (only_step,) = made.steps
    assert only_step.reading is not None
    return replace(made, steps=(replace(only_step, reading=replace(only_step.reading, **changes)),))  # type: ignore[arg-type]


def words_of(computation: str, name: str) -> str:
    return next(each.words for each in COMPUTATIONS[computation].inputs if each.name == name)


def computed(*values: Value) -> Flow:
    return flow(step("a", outcome("on", "out")), values=values)


BATTERY = asked("battery", "V", "9 V", "16 V")
SOUND = banded(">= battery - drop * 1.3", "1 V .. battery - drop * 1.3", "< 1 V", values=(BATTERY, drop()))

CASES: dict[str, tuple[Flow, list[str]]] = {
    "reading-missing": (
        flow(step("supply", outcome("on", "out"), test=TestKind.MEASURE)),
        [
            "error reading-missing at steps.supply.reading: The step 'supply' measures, but does not say what."
            " Add reading: with its quantity and unit."
        ],
    ),
    "band-without-reading": (
        flow(step("supply", outcome("on", "out", "< 1 V"))),
        [
            "error band-without-reading at steps.supply.outcomes.on.band: The outcome has a band, but the step"
            " 'supply' has no reading. Add reading: to the step, or remove the band."
        ],
    ),
    "bands-partial": (
        flow(measure("supply", outcome("a", "out", "< 1 V"), outcome("b", "out"), outcome("c", "out"))),
        [
            "error bands-partial at steps.supply.outcomes: The step 'supply' has outcomes with a band and without:"
            " b and c. Give every outcome a band, or none."
        ],
    ),
    "unit-misfit": (
        banded("< 1 V", ">= 1 V", unit="ohm"),
        ["error unit-misfit at steps.supply.reading.unit: 'ohm' is not a unit of voltage. Use V, mV or kV."],
    ),
    "value-unit-misfit": (
        computed(asked("battery", "V", "9 A", "16 V")),
        ["error value-unit-misfit at values.battery.from: 9 A is no limit for a value asked in V. Use V, mV or kV."],
    ),
    "value-limits-swapped": (
        computed(asked("battery", "V", "16 V", "9000 mV")),
        [
            "error value-limits-swapped at values.battery.from: The value 'battery' is from 16 V to 9000 mV."
            " Write the lower limit behind from:, the higher behind to:."
        ],
    ),
    "band-gap": (
        banded("< 1 V", ">= 2 V"),
        [
            "error band-gap at steps.supply.outcomes.o1.band: Nothing covers readings from 1 V to 2 V, between 'o1' and"
            " 'o2'. Let 'o2' start at 1 V, where 'o1' ends."
        ],
    ),
    "band-overlap": (
        banded("< 2 V", ">= 1 V"),
        [
            "error band-overlap at steps.supply.outcomes.o1.band: Readings from 1 V to 2 V fit both 'o1' and 'o2'."
            " Let one end where the other starts."
        ],
    ),
    "band-empty": (
        banded("< 2 V", "3 V .. 2 V", ">= 2 V"),
        [
            "error band-empty at steps.supply.outcomes.o2.band: No reading can fit 'o2', as 3 V is not below 2 V."
            " Put the smaller end first and the larger end last."
        ],
    ),
    "band-unit": (
        banded("< 1 ohm", ">= 1 V"),
        [
            "error band-unit at steps.supply.outcomes.o1.band: 'o1' compares the voltage with 1 Ω, a resistance."
            " Give the band in V, mV or kV."
        ],
    ),
    "plausible-range": (
        replaced_reading(banded("< 1 V", ">= 1 V"), plausible=parse_band("< 0.5 V")),
        [
            "error plausible-range at steps.supply.reading.plausible: The limit 1 V of 'o1' lies outside what can be"
            " expected. Give two figures, such as 0 V .. 16 V, with every limit of the outcomes between them."
        ],
    ),
    "value-undefined": (
        flow(
            measure("supply", outcome("a", "out", "< batery"), outcome("b", "out", ">= batery")),
            values=(BATTERY, drop(length="far")),
        ),
        [
            "error value-undefined at steps.supply.outcomes.a.band: The band uses 'batery', which is not defined."
            " Did you mean 'battery'? Add it to values: with ask or compute.",
            "error value-undefined at steps.supply.outcomes.b.band: The band uses 'batery', which is not defined."
            " Did you mean 'battery'? Add it to values: with ask or compute.",
            "error value-undefined at values.drop.length: 'far' is not defined."
            " Add it to values: above, or write a number with its unit.",
        ],
    ),
    "value-order": (
        computed(drop("one", current="load"), drop("own", current="own"), asked("load", "A", "1 A", "2 A")),
        [
            "error value-order at values.one.current: 'load' is not known yet when this value is computed."
            " Move this value below it; two values cannot use each other.",
            "error value-order at values.own.current: 'own' is not known yet when this value is computed."
            " Move this value below it; two values cannot use each other.",
        ],
    ),
    "computation-unknown": (
        computed(ComputedValue("drop", "copper-cable-dorp")),
        [
            "error computation-unknown at values.drop.compute: 'copper-cable-dorp' is not a computation."
            f" Did you mean 'copper-cable-drop'? Use {spoken_list(COMPUTATIONS)}."
        ],
    ),
    "computation-input": (
        computed(
            BATTERY,
            drop("wire", lenght="4 m", length=""),
            drop("volts", current="6 V"),
            drop("mixed", current="battery"),
            drop("heat", temperature="4000 degC"),
        ),
        [
            "error computation-input at values.wire.lenght: 'lenght' is not an input of copper-cable-drop."
            " Did you mean 'length'? It takes area, gauge, length, current and temperature.",
            "error computation-input at values.wire: copper-cable-drop needs length."
            f" Add length: {words_of('copper-cable-drop', 'length')}.",
            "error computation-input at values.volts.current: 6 V is a voltage, but current is asked for."
            " Give it in A or mA.",
            "error computation-input at values.mixed.current: 'battery' is of voltage, but current is needed."
            " Use a value of current.",
            "error computation-input at values.heat: temperature of copper-cable-drop: 4000 °C is out of range."
            " Give the temperature of the copper, from -50 °C to 200 °C.",
        ],
    ),
}


def test_every_check_on_values_has_its_case() -> None:
    assert list(CASES) == [check.info.id for check in VALUES]


@pytest.mark.parametrize("identity", CASES)
def test_the_check_finds_what_is_wrong(identity: str) -> None:
    faulty, expected = CASES[identity]
    assert only(identity, faulty) == expected


@pytest.mark.parametrize("identity", CASES)
def test_the_check_finds_nothing_in_a_sound_flow(identity: str) -> None:
    assert only(identity, SOUND) == []


@pytest.mark.parametrize("bands", [("over-limit", "< 2 ohm", ">= 2 ohm"), ("< 2 ohm", "2 ohm .. 1 kohm", ">= 1 kohm")])
def test_resistance_bands_that_fit(bands: tuple[str, ...]) -> None:
    sound = banded(*bands, quantity="resistance", unit="ohm")
    assert [only(identity, sound) for identity in ("band-gap", "band-overlap", "band-empty", "band-unit")] == [[]] * 4


def test_a_value_of_another_quantity_is_told_even_when_its_limits_are_open() -> None:
    made = banded("< load", ">= load", values=(asked("load", "A"),))
    assert only("band-unit", made)[0] == (
        "error band-unit at steps.supply.outcomes.o1.band: The band uses 'load', which is of current,"
        " for a reading of voltage. Use a value of voltage."
    )
    assert only("band-unit", banded("< load", ">= load", values=(asked("load", "mV"),))) == []


def test_bands_are_not_held_against_each_other_while_something_graver_is_wrong() -> None:
    for faulty in (banded("< 1 V", ">= 2 V", unit="ohm"), banded("< other", ">= 2 V")):
        assert only("band-gap", faulty) == []


def test_a_measuring_step_may_leave_the_judging_to_the_technician() -> None:
    assert only("bands-partial", flow(measure("supply", outcome("a", "out"), outcome("b", "out")))) == []


@pytest.mark.parametrize("band", ["over-limit", "< battery", "0 ohm .. 3 ohm", "1.5 V .. 16 V"])
def test_an_expected_range_is_figures_that_hold_every_limit(band: str) -> None:
    made = banded("< 1 V", ">= 1 V", values=(BATTERY,))
    assert only("plausible-range", replaced_reading(made, plausible=parse_band(band))) != []
    assert only("plausible-range", replaced_reading(made, plausible=parse_band("-1 V .. 16 V"))) == []


def test_ranges_of_values_follow_from_their_limits() -> None:
    made = computed(
        asked("load", "A", "2 A", "6 A"),
        drop("wire", current="load"),
        drop("fixed"),
        asked("open", "V"),
        asked("mixed", "V", "1 A", "2 A"),
        drop("later", current="unknown"),
    )
    ranges = value_ranges(made)
    assert list(ranges) == ["load", "wire", "fixed"]
    assert ranges["load"] == (parse_quantity("2 A"), parse_quantity("6 A"))
    low, high = ranges["wire"]
    assert low.unit == high.unit == "V"
    # Ohm's law: three times the current, three times the drop.
    assert float(high.magnitude / low.magnitude) == pytest.approx(3, rel=1e-5)
    assert ranges["fixed"] == (high, high)


def test_what_a_value_measures() -> None:
    made = computed(BATTERY, drop(), ComputedValue("odd", "nothing"), AskedValue("bare", "Bare", "furlong"))
    names = ("battery", "drop", "odd", "bare", "missing")
    assert [value_quantity(made, name) for name in names] == ["voltage", "voltage", "", "", ""]


def test_values_in_any_unit_of_their_quantity_can_be_limits() -> None:
    sound = computed(asked("battery", "V", "9000 mV", "16 V"))
    assert only("value-unit-misfit", sound) == only("value-limits-swapped", sound) == []
    assert value_ranges(sound)["battery"] == (parse_quantity("9000 mV"), parse_quantity("16 V"))
