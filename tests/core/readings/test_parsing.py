"""Units against pint; typed readings in the spellings met at the vehicle."""

from __future__ import annotations

from decimal import Decimal

import pint
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from shopkb.core.readings.parsing import find_unit, parse_number, parse_quantity, parse_reading
from shopkb.core.readings.quantities import Quantity, Reading, ReadingError, format_quantity
from shopkb.core.readings.units import QUANTITIES, UNITS
from tests.examples import examples

PINT = pint.UnitRegistry()
PINT_NAMES = {
    "ohm": "ohm", "mohm": "milliohm", "kohm": "kiloohm", "Mohm": "megaohm", "degC": "degC", "degF": "degF",
    "K": "kelvin", "%": "percent", "mm2": "mm**2", "1/min": "1/minute", "min": "minute", "V": "volt",
    "A": "ampere", "L": "litre", "mL": "millilitre", "s": "second", "m": "metre", "W": "watt",
    "Nm": "newton*metre", "deg": "degree", "lx": "lux", "lambda": "dimensionless", "times": "dimensionless",
    "L/min": "litre/minute", "mL/min": "millilitre/minute", "kV": "kilovolt", "mph": "mile/hour",
}  # fmt: skip
PAIRS = [(one, other) for symbols in QUANTITIES.values() for one in symbols for other in symbols]

numbers = st.decimals(min_value=-9999, max_value=9999, places=3, allow_nan=False, allow_infinity=False)
symbols = st.sampled_from(sorted(UNITS))


@pytest.mark.parametrize(("one", "other"), PAIRS)
@pytest.mark.parametrize("magnitude", ["12.7", "-40", "0", "0.001"])
def test_every_conversion_agrees_with_pint(one: str, other: str, magnitude: str) -> None:
    theirs = PINT.Quantity(float(magnitude), PINT_NAMES.get(one, one)).to(PINT_NAMES.get(other, other)).magnitude
    ours = Quantity(Decimal(magnitude), one).to(other)
    assert float(ours.magnitude) == pytest.approx(theirs, rel=1e-9, abs=1e-9)
    assert float(Quantity(Decimal(magnitude), one).exact(other)) == pytest.approx(theirs, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("symbol", sorted(UNITS))
def test_si_agrees_with_pint(symbol: str) -> None:
    theirs = PINT.Quantity(3.5, PINT_NAMES.get(symbol, symbol)).to_base_units()
    if UNITS[symbol].quantity == "frequency":
        theirs = PINT.Quantity(3.5, PINT_NAMES.get(symbol, symbol)).to("hertz")
    assert Quantity(Decimal("3.5"), symbol).si() == pytest.approx(theirs.magnitude, rel=1e-12)


@pytest.mark.parametrize(
    ("typed", "quantity", "expected"),
    [
        ("110 N m", "torque", "110 Nm"), ("110 N·m", "torque", "110 Nm"), ("8,5 Nm", "torque", "8.5 Nm"),
        ("60 km/h", "speed", "60 km/h"), ("35 mph", "speed", "35 mph"), ("4.2 g/s", "mass-flow", "4.2 g/s"),
        ("12°", "angle", "12 deg"), ("-8 deg", "angle", "-8 deg"), ("1200 lux", "illuminance", "1200 lx"),
        ("0.98", "air-ratio", "0.98 lambda"), ("-0.6 bar", "pressure", "-0.6 bar"), ("15 MPa", "pressure", "15 MPa"),
        ("0.9 L/min", "volume-flow", "0.9 L/min"), ("12 kV", "voltage", "12 kV"), ("120 mm/s", "speed", "120 mm/s"),
    ],
)  # fmt: skip
def test_units_of_torque_speed_flow_angle_and_light_as_people_type_them(
    typed: str, quantity: str, expected: str
) -> None:
    assert str(parse_quantity(typed, quantity, QUANTITIES[quantity][0])) == expected
    assert str(parse_quantity(format_quantity(Quantity(Decimal("1.5"), expected.split()[1])))).startswith("1.5 ")


def test_digits_stay_as_typed_where_only_the_prefix_changes() -> None:
    assert str(parse_quantity("12.10 V")) == "12.10 V"
    assert str(parse_quantity("12.10 V").to("mV")) == "12100 mV"
    assert str(parse_quantity("450 mohm").to("ohm")) == "0.450 ohm"
    assert str(parse_quantity("212 degF").to("degC")) == "100 degC"


@given(numbers, symbols, symbols)
def test_there_and_back_is_the_same(number: Decimal, one: str, other: str) -> None:
    quantity = Quantity(number, one)
    if UNITS[one].quantity == UNITS[other].quantity:
        assert float(quantity.to(other).exact(one)) == pytest.approx(float(number), rel=1e-15, abs=1e-15)
    else:
        with pytest.raises(ReadingError):
            quantity.to(other)


@pytest.mark.parametrize(
    ("text", "symbol"),
    [
        ("ohm", "ohm"), ("Ohm", "ohm"), ("OHMS", "ohm"), ("\u2126", "ohm"), ("\u03a9", "ohm"), ("R", "ohm"),
        ("mohm", "mohm"), ("mΩ", "mohm"), ("mOHM", "mohm"), ("Mohm", "Mohm"), ("MΩ", "Mohm"), ("MOHM", "Mohm"),
        ("megohm", "Mohm"), ("kohm", "kohm"), ("Kohm", "kohm"), ("kΩ", "kohm"), ("degC", "degC"), ("C", "degC"),
        ("°C", "degC"), ("ºC", "degC"), ("deg C", "degC"), ("℃", "degC"), ("Celsius", "degC"), ("°F", "degF"),
        ("K", "K"), ("kelvin", "K"), ("\u212a", "K"), ("volts", "V"), ("v", "V"), ("VDC", "V"), ("V DC", "V"),
        ("mV", "mV"), ("mv", "mV"), ("mA", "mA"), ("amps", "A"), ("Bar", "bar"), ("KPA", "kPa"), ("PSI", "psi"),
        ("hz", "Hz"), ("khz", "kHz"), ("rpm", "1/min"), ("1/min", "1/min"), ("%", "%"), ("per cent", "%"),
        ("sec", "s"), ("l", "L"), ("ml", "mL"), ("mm²", "mm2"), ("mm^2", "mm2"), ("sq mm", "mm2"), ("watts", "W"),
    ],
)  # fmt: skip
def test_units_in_the_spellings_people_use(text: str, symbol: str) -> None:
    assert find_unit(text).symbol == symbol


@pytest.mark.parametrize("symbol", sorted(UNITS))
def test_every_unit_is_found_by_its_symbol_and_its_sign(symbol: str) -> None:
    assert find_unit(symbol).symbol == symbol
    assert find_unit(UNITS[symbol].sign).symbol == symbol
    assert find_unit(UNITS[symbol].spoken).symbol == symbol


@pytest.mark.parametrize(
    ("text", "quantity", "words"),
    [
        ("MV", None, "'MV' would be a million V. Write mV for a thousandth of one"),
        ("MA", None, "'MA' would be a million A. Write mA for a thousandth of one"),
        ("ohn", "resistance", "'ohn' is not a unit known here. Right would be Ω, mΩ, kΩ or MΩ"),
        ("furlong", "power", "'furlong' is not a unit known here. Right would be W"),
        (
            "k",
            None,
            "'k' is not a unit known here. Right would be V, A, Ω, °C, bar, Hz, %, s, L or mm, "
            "with k, m or M before it where usual",
        ),
    ],
)
def test_units_refused(text: str, quantity: str | None, words: str) -> None:
    with pytest.raises(ReadingError) as error:
        find_unit(text, quantity)
    assert str(error.value) == words


@pytest.mark.parametrize(
    ("text", "quantity", "unit", "shown", "decimals"),
    [
        ("12,7", "voltage", "V", "12.7 V", 1),
        ("12.7V", "voltage", "V", "12.7 V", 1),
        (" 12.70 v ", "voltage", "V", "12.70 V", 2),
        ("12\u00a0V", "voltage", "V", "12 V", 0),
        ("-0.02", "voltage", "V", "-0.02 V", 2),
        ("\u22120,02", "voltage", "V", "-0.02 V", 2),
        ("- 0.02", "voltage", "V", "-0.02 V", 2),
        ("+3", "voltage", "V", "3 V", 0),
        (".5", "voltage", "V", "0.5 V", 1),
        ("12.", "voltage", "V", "12 V", 0),
        ("0,234", "voltage", "V", "0.234 V", 3),
        ("-0", "voltage", "V", "0 V", 0),
        ("450 mohm", "resistance", "ohm", "450 mohm", 0),
        ("4.7k", "resistance", "ohm", "4.7 kohm", 1),
        ("4.7K", "resistance", "ohm", "4.7 kohm", 1),
        ("2.2M", "resistance", "ohm", "2.2 Mohm", 1),
        ("100\u202f\u2126", "resistance", "ohm", "100 ohm", 0),
        ("300 K", "temperature", "degC", "300 K", 0),
        ("85 deg", "temperature", "degC", "85 degC", 0),
        ("85 °", "temperature", "degF", "85 degF", 0),
        ("0L", "volume", "L", "0 L", 0),
        ("850 1/min", "frequency", "1/min", "850 1/min", 0),
        ("1e3", "resistance", "ohm", "1000 ohm", 0),
    ],
)
def test_readings_in_the_spellings_people_use(text: str, quantity: str, unit: str, shown: str, decimals: int) -> None:
    reading = parse_reading(text, quantity, unit)
    assert str(reading.quantity) == shown
    assert reading == Reading(reading.quantity, over_limit=False, decimals=decimals)


@pytest.mark.parametrize(
    "text", ["OL", "ol", "0L", "0 L", "O.L", "0.L", ".OL", "O.L.", "over limit", "Over-Limit", "OL MΩ", "OLkΩ", "∞"]
)
def test_over_limit_displays(text: str) -> None:
    assert parse_reading(text, "resistance", "ohm") == Reading(None, over_limit=True)


def test_over_limit_is_refused_on_the_negative_side_and_in_the_wrong_unit() -> None:
    with pytest.raises(ReadingError) as negative:
        parse_reading("-OL", "voltage", "V")
    assert str(negative.value) == (
        "The display is over its limit on the negative side. Swap the leads or choose a larger range, and measure again"
    )
    with pytest.raises(ReadingError) as wrong:
        parse_reading("OL V", "resistance", "ohm")
    assert wrong.value.hint == "Give it in Ω, mΩ, kΩ or MΩ"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("12.7 V", "12.7 V is a voltage, but resistance is asked for. Give it in Ω, mΩ, kΩ or MΩ"),
        ("5 m", "5 m is a length, but resistance is asked for. Give it in Ω, mΩ, kΩ or MΩ"),
        ("1,234", "'1,234' can be read as 1.234 or as 1234. Write 1.234 or 1234"),
        (
            "1,234.5",
            "'1,234.5' is not one plain number. "
            "Write it with one decimal mark and nothing between thousands, such as 1234.5",
        ),
        (
            "1 234",
            "'1 234' is not one plain number. "
            "Write it with one decimal mark and nothing between thousands, such as 1234.5",
        ),
        ("", "Nothing was typed. Give a number, such as 12.7"),
        ("nan", "'nan' does not start with a number. Give a number and its unit, such as 12.7 V"),
        ("inf", "'inf' does not start with a number. Give a number and its unit, such as 12.7 V"),
        ("½", "'½' does not start with a number. Give a number and its unit, such as 12.7 V"),
        ("٣", "'٣' does not start with a number. Give a number and its unit, such as 12.7 V"),
        ("10²", "'^2' is not a unit known here. Right would be Ω, mΩ, kΩ or MΩ"),
        ("1e16", "'1e16' is beyond anything a meter shows. Give the number as the meter shows it"),
        ("1e99", "'1e99' is beyond anything a meter shows. Give the number as the meter shows it"),
        ("0e99", "'0e99' is beyond anything a meter shows. Give the number as the meter shows it"),
        ("1" * 16, "'1111111111111111' has more digits than any meter shows. Give at most 15 digits"),
        (
            "1" * 61,
            f"'{'1' * 37}...' is too long for one value. Give one number and its unit, such as 12.7 V",
        ),
    ],
)
def test_readings_refused(text: str, words: str) -> None:
    with pytest.raises(ReadingError) as error:
        parse_reading(text, "resistance", "ohm")
    assert str(error.value) == words


@pytest.mark.parametrize("power", [15, -15])
def test_the_largest_power_is_still_one(power: int) -> None:
    assert parse_reading(f"1e{power}", "resistance", "ohm").quantity.magnitude == Decimal(f"1e{power}")


def test_a_quantity_needs_its_unit_and_a_number_has_none() -> None:
    with pytest.raises(ReadingError) as error:
        parse_quantity("12", "area")
    assert str(error.value) == "'12' has no unit. Add one: mm²"
    with pytest.raises(ReadingError) as other:
        parse_number("3977 K")
    assert str(other.value) == "'3977 K' has something after the number. Write 3977 alone"
    assert parse_number("8.7755e-08") == Decimal("8.7755e-08")


@pytest.mark.parametrize("magnitude", ["NaN", "Infinity", "-Infinity", "sNaN"])
def test_a_quantity_is_a_finite_number_of_a_known_unit(magnitude: str) -> None:
    with pytest.raises(ReadingError):
        Quantity(Decimal(magnitude), "V")
    with pytest.raises(ReadingError):
        Quantity(Decimal(1), "furlong")


def test_quantities_as_people_see_them() -> None:
    assert format_quantity(parse_quantity("4.70 kohm")) == "4.70 kΩ"
    assert format_quantity(parse_quantity("4.70 kohm"), comma=True) == "4,70 kΩ"
    assert format_quantity(parse_quantity("2.5 mm2")) == "2.5 mm²"


meterish = st.text(alphabet="0123456789.,+-eE OLolkKmMVAΩ°C%/²\u00a0\u2212naif", max_size=20)


@given(st.one_of(st.text(max_size=80), meterish), st.sampled_from(sorted(QUANTITIES)))
@example("OL" * 30, "resistance")
@example("0" * 59 + "\x00", "voltage")
@settings(max_examples=examples(500))
def test_no_text_raises_anything_but_a_reading_error(text: str, quantity: str) -> None:
    unit = QUANTITIES[quantity][0]
    for parse in (
        lambda: parse_reading(text, quantity, unit),
        lambda: parse_quantity(text),
        lambda: parse_number(text),
    ):
        try:
            result = parse()
        except ReadingError as error:
            assert error.message
            assert "\n" not in str(error)
        else:
            assert isinstance(result, Reading | Quantity | Decimal)


@given(numbers, symbols, st.booleans())
def test_what_is_shown_can_be_typed_back(number: Decimal, symbol: str, comma: bool) -> None:
    quantity = Quantity(number, symbol)
    shown = format_quantity(quantity, comma=False)
    assert parse_quantity(shown) == quantity
    reading = parse_reading(str(quantity), quantity.quantity, symbol)
    assert reading.quantity == quantity
    assert reading.decimals == 3
    # Three places after a comma may be a thousands mark: refused, unless the first figure is 0 or there are four.
    try:
        assert parse_quantity(format_quantity(quantity, comma=comma)) == quantity
    except ReadingError as error:
        assert comma
        assert "can be read as" in error.message
