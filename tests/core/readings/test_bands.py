"""Bands: text and back, ends, and whether the bands of a step fit together."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.readings.bands import Band, Interval, limit_number, parse_band
from shopkb.core.readings.coverage import band_faults
from shopkb.core.readings.expressions import Expression, Term
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import QUANTITIES, UNITS
from tests.examples import examples


def volts(number: str) -> Quantity:
    return Quantity(Decimal(number), "V")


RANGES = {"battery": (volts("9"), volts("16")), "feed_drop": (volts("0.3"), volts("0.3"))}


def faults(*texts: str, quantity: str = "voltage", unit: str = "V") -> list[tuple[str, tuple[str, ...], str, str]]:
    bands = [(key, parse_band(text)) for key, text in zip("abcdefgh", texts, strict=False)]
    return [(each.kind, each.keys, each.message, each.hint) for each in band_faults(bands, quantity, unit, RANGES)]


@pytest.mark.parametrize(
    ("number", "shown"),
    [(12.3456, "12.35"), (999.94, "999.9"), (-999.94, "-999.9"), (1000.4, "1000.4"), (12345.6, "12345.6"), (0, "0")],
)
def test_a_limit_has_four_figures_and_all_before_the_point(number: float, shown: str) -> None:
    assert limit_number(number) == shown


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("<1V", "< 1 V"),
        ("<= 0,2 V", "<= 0.2 V"),
        ("≤ 200 mΩ", "<= 200 mohm"),
        ("≥ 12.40 volts", ">= 12.40 V"),
        ("1 V..2V", "1 V .. 2 V"),
        ("1 V … 2 V", "1 V .. 2 V"),
        ("1 V .. battery - feed_drop*1.3", "1 V .. battery - feed_drop * 1.3"),
        (">= battery-feed_drop * 1.30", ">= battery - feed_drop * 1.30"),
        ("-0.5 V .. 0.5 V", "-0.5 V .. 0.5 V"),
        ("−5 °C .. +20 deg C", "-5 degC .. 20 degC"),
        (">= 1500 rpm", ">= 1500 1/min"),
        ("1500 1/min .. 3000 1/min", "1500 1/min .. 3000 1/min"),
        ("< 2.5 mm²", "< 2.5 mm2"),
        ("30 % .. 70%", "30 % .. 70 %"),
        ("< min", None),
        ("over limit", "over-limit"),
        ("OL", "over-limit"),
    ],
)
def test_canonical_text(text: str, canonical: str | None) -> None:
    if canonical is None:
        with pytest.raises(ReadingError) as error:
            parse_band(text)
        assert str(error.value) == "'< min' has a unit without a number. Write 1 min, for example"
        return
    band = parse_band(text)
    assert band.text() == canonical
    assert parse_band(canonical) == band


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "",
            "The band is empty. Right would be '< 1 V', '>= 12.4 V', '1 V .. 2 V', '>= battery - drop * 1.3' "
            "or 'over-limit'",
        ),
        (
            "== 1 V",
            "'== 1 V' is not a band. Right would be '< 1 V', '>= 12.4 V', '1 V .. 2 V', '>= battery - drop * 1.3' "
            "or 'over-limit'",
        ),
        ("< 1", "1 has no unit in '< 1'. Write 1 V, for example"),
        ("< 1.3 * drop", "'< 1.3 * drop' has the number before the name. Write drop * 1.3"),
        ("> 1 V .. 2 V", "'1 V .. 2 V' in '> 1 V .. 2 V' is not a value. A value is a number with a unit, a name, "
         "or a name * number, joined by + or -"),
        ("< 1 V < 2 V", "'< 1 V < 2 V' compares twice. For two ends write '1 V .. 2 V'"),
        ("< battery -", "'< battery -' has a sign without a value. Write battery - 0.5 V, for example"),
        ("< 3 furlong", "'furlong' is not a unit known here. Right would be V, A, Ω, °C, bar, Hz, %, s, L or mm, "
         "with k, m or M before it where usual"),
        (
            "> Battery",
            "'Battery' in '> Battery' is not the name of a value. "
            "A name has small letters, figures and underscores, as in 'battery - drop * 1.3'",
        ),
        ("<" + "9" * 300, f"'<{'9' * 36}...' is too long for a band. A band has at most 200 characters"),
    ],
)  # fmt: skip
def test_refused_bands(text: str, words: str) -> None:
    with pytest.raises(ReadingError) as error:
        parse_band(text)
    assert str(error.value) == words


@given(st.one_of(st.text(max_size=60), st.text(alphabet="<>=.0123456789 VmΩohm*+-abc_°%/", max_size=40)))
@settings(max_examples=examples(500))
def test_any_text_is_a_band_or_a_reading_error(text: str) -> None:
    try:
        band = parse_band(text)
    except ReadingError as error:
        assert error.message
    else:
        assert parse_band(band.text()) == band
        assert parse_band(band.text()).text() == band.text()


def test_open_and_closed_ends() -> None:
    assert not parse_band("< 1 V").resolve({}, "V").holds(1.0)
    assert parse_band("<= 1 V").resolve({}, "V").holds(1.0)
    assert not parse_band("> 1 V").resolve({}, "V").holds(1.0)
    assert parse_band(">= 1 V").resolve({}, "V").holds(1.0)
    between = parse_band("1 V .. 2 V").resolve({}, "mV")
    assert [between.holds(each) for each in (999.9, 1000.0, 1999.9, 2000.0)] == [False, True, True, False]
    assert not parse_band("over-limit").resolve({}, "V").holds(1.0)
    assert not between.holds(math.nan)


def test_ends_relative_to_what_was_asked() -> None:
    band = parse_band("1 V .. battery - feed_drop * 1.3")
    values = {"battery": Quantity(Decimal(12500), "mV"), "feed_drop": volts("0.3")}
    assert band.names == {"battery", "feed_drop"}
    assert band.resolve(values, "V") == Interval(1.0, 12.11, False, True)
    with pytest.raises(ReadingError) as error:
        band.resolve({"battery": volts("12")}, "V")
    assert str(error.value) == "feed_drop has no value yet. Give feed_drop in V first"
    with pytest.raises(ReadingError):
        band.resolve({"battery": volts("12"), "feed_drop": Quantity(Decimal(1), "ohm")}, "V")


def test_further_temperatures_are_differences() -> None:
    ambient = {"ambient": Quantity(Decimal(20), "degC")}
    for text in ("> ambient + 10 degC", "> ambient + 10 K", "> ambient + 18 degF"):
        assert parse_band(text).resolve(ambient, "degC").low == 30.0
    assert parse_band("> -10 degC").resolve({}, "degF").low == 14.0


@pytest.mark.parametrize(
    ("interval", "words"),
    [
        (Interval(1, 12.1), "1 V or more, under 12.1 V"),
        (Interval(low=1, low_open=True), "more than 1 V"),
        (Interval(high=0.2, high_open=False), "0.2 V or less"),
        (Interval(high=1000000), "under 1000000 V"),
        (Interval(), "any reading"),
        (Interval(over_limit=True), "the meter shows over limit"),
    ],
)
def test_intervals_in_words(interval: Interval, words: str) -> None:
    assert interval.words("V") == words


def test_bands_that_fit() -> None:
    assert faults("< 1 V", "1 V .. battery - feed_drop * 1.3", ">= battery - feed_drop * 1.3") == []
    assert faults(">= battery - feed_drop", "< -300 mV + battery") == []  # a constant name is its number
    assert faults("<= 0.2 V", "> 200 mV") == []
    assert faults("< 18 psi", ">= 18 psi", quantity="pressure", unit="bar") == []
    assert faults("0 ohm .. 5 ohm", ">= 5 ohm", "over-limit", quantity="resistance", unit="ohm") == []
    assert faults("< free", ">= free") == []  # a name without a range may be anything
    assert faults() == []


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (
            ("< 1 V", ">= 2 V"),
            [("gap", ("a", "b"), "Nothing covers readings from 1 V to 2 V, between 'a' and 'b'",
              "Let 'b' start at 1 V, where 'a' ends")],
        ),
        (
            ("< 0.2 V", "> 0.2 V"),
            [("gap", ("a", "b"), "A reading of exactly 0.2 V fits neither 'a' nor 'b'",
              "Write '<= 0.2 V' or '>= 0.2 V' for one of them")],
        ),
        (
            ("<= 0.2 V", ">= 0.2 V"),
            [("overlap", ("a", "b"), "A reading of exactly 0.2 V fits both 'a' and 'b'",
              "Write '< 0.2 V' or '> 0.2 V' for one of them")],
        ),
        (
            ("< 3 V", ">= 2 V"),
            [("overlap", ("a", "b"), "Readings from 2 V to 3 V fit both 'a' and 'b'",
              "Let one end where the other starts")],
        ),
        (
            ("> 1 V", "> 2 V", "<= 1 V"),
            [("overlap", ("a", "b"), "Readings from 2 V up fit both 'a' and 'b'",
              "Let one end where the other starts")],
        ),
        (
            ("1 V .. 2 V",),
            [
                ("gap", ("a",), "Nothing covers readings below 1 V, short of 'a'",
                 "Add an outcome with the band '< 1 V'"),
                ("gap", ("a",), "Nothing covers readings from 2 V up, beyond 'a'",
                 "Add an outcome with the band '>= 2 V'"),
            ],
        ),
        (
            ("< 2 V", ">= 2 V", "5 V .. 4 V"),
            [("empty", ("c",), "No reading can fit 'c', as 5 V is not below 4 V",
              "Put the smaller end first and the larger end last")],
        ),
        (
            ("< 1 V", "1 V .. battery - 10 V", ">= battery - 10 V"),
            [("empty", ("b",), "'b' has no room when 1 V is above battery - 10 V, for example with battery at 9 V",
              "Move an end, or narrow what battery can be")],
        ),
        (
            ("< battery", ">= 16 V"),
            [("gap", ("a", "b"), "Nothing covers readings from battery to 16 V, between 'a' and 'b', "
              "for example with battery at 9 V", "Let 'b' start at battery, where 'a' ends")],
        ),
        (
            ("< 1 V", ">= 1 ohm"),
            [("unit", ("b",), "'b' compares the voltage with 1 Ω, a resistance", "Give the band in V, mV or kV")],
        ),
        (
            ("over-limit", "OL", "< 1 V", ">= 1 V"),
            [("overlap", ("a", "b"), "An over-limit display fits 'a' and 'b'", "Keep over-limit for one outcome")],
        ),
        (
            ("over-limit",),
            [("gap", ("a",), "No band covers a reading in numbers", "Add outcomes with bands such as '< 1 V'")],
        ),
    ],
)  # fmt: skip
def test_bands_that_do_not_fit(texts: tuple[str, ...], expected: list[tuple[str, tuple[str, ...], str, str]]) -> None:
    assert faults(*texts) == expected


def test_what_is_never_negative_starts_at_zero() -> None:
    assert faults("1 ohm .. 5 ohm", ">= 5 ohm", quantity="resistance", unit="ohm") == [
        (
            "gap",
            ("a",),
            "Nothing covers readings from 0 to 1 ohm, short of 'a'",
            "Add an outcome with the band '< 1 ohm'",
        )
    ]
    assert faults("< 0 ohm", ">= 0 ohm", quantity="resistance", unit="ohm") == [
        ("empty", ("a",), "No reading can fit 'a', as a resistance here is never below 0", "Move the upper end above 0")
    ]


def test_a_name_of_another_quantity_and_a_multiplied_temperature() -> None:
    assert faults("< battery", ">= battery", quantity="resistance", unit="ohm") == [
        ("unit", (key,), f"'{key}' compares the resistance with battery, a voltage", "Give the band in Ω, mΩ, kΩ or MΩ")
        for key in "ab"
    ]
    assert faults("< ambient * 1.1", quantity="temperature", unit="degC") == [
        (
            "unit",
            ("a",),
            "'a' multiplies a temperature, which means something else in every unit",
            "Add or take away degrees, as in 'ambient + 10 K'",
        )
    ]
    assert faults("< 1 V", quantity="voltage", unit="ohm") == [
        ("unit", (), "'ohm' is not a unit of voltage", "Right would be V, mV or kV")
    ]


# --- laws -----------------------------------------------------------------------------------------------------------

NAMES = {"x": (volts("-1"), volts("2")), "y": (volts("0"), volts("1"))}

small = st.integers(-3, 3).map(lambda number: Quantity(Decimal(number), "V"))
terms = st.one_of(
    st.builds(Term, st.sampled_from([1, -1]), small),
    st.builds(
        Term,
        st.sampled_from([1, -1]),
        st.none(),
        st.sampled_from(sorted(NAMES)),
        st.sampled_from([Decimal(1), Decimal(2)]),
    ),
)
ends = st.lists(terms, min_size=1, max_size=2).map(lambda parts: Expression(tuple(parts)))
single = st.builds(lambda end, high, loose: Band(high=end, high_open=loose) if high else Band(low=end, low_open=loose),
                   ends, st.booleans(), st.booleans())  # fmt: skip
any_band = st.one_of(single, st.builds(lambda low, high: Band(low, high), ends, ends))


@st.composite
def chains(draw: st.DrawFn) -> list[Band]:
    """Bands that mostly fit: a chain over a few ends, sometimes with one end changed or the order mixed."""
    joints = draw(st.lists(ends, min_size=1, max_size=3))
    closed = draw(st.booleans())
    bands = [Band(high=joints[0], high_open=not closed or len(joints) > 1)]
    bands += [Band(low, high) for low, high in pairwise(joints)]
    bands.append(Band(low=joints[-1], low_open=closed and len(joints) == 1))
    if draw(st.integers(0, 3)) == 0:
        bands[draw(st.integers(0, len(bands) - 1))] = draw(any_band)
    return list(draw(st.permutations(bands)))


def fits(band: Band, number: Fraction, values: dict[str, Quantity]) -> bool:
    """The band's meaning spelled out, in fractions."""
    if band.low is not None:
        low = band.low.exact(values, "V")
        if number < low or (number == low and band.low_open):
            return False
    if band.high is not None:
        high = band.high.exact(values, "V")
        if number > high or (number == high and band.high_open):
            return False
    return True


def counted(bands: list[Band]) -> set[int]:
    """How many bands hold a reading, over the corners and middles of all names and around all ends."""
    found = set()
    grid = [[volts(str(low)), volts(str(high)), volts(str((low + high) / 2)), volts(str((low * 2 + high) / 3))]
            for low, high in ((-1, 2), (0, 1))]  # fmt: skip
    for x, y in product(*grid):
        values = {"x": x, "y": y}
        places = {end.exact(values, "V") for band in bands for end in (band.low, band.high) if end is not None}
        ordered = sorted(places)
        tries = [*ordered, *((one + other) / 2 for one, other in pairwise(ordered))]
        for number in [*tries, min(ordered) - 1, max(ordered) + 1]:
            found.add(sum(fits(band, number, values) for band in bands))
    return found


def always_empty(band: Band) -> bool:
    if band.low is None or band.high is None:
        return False
    corners = [{"x": x, "y": y} for x, y in product(*NAMES.values())]
    return all(band.high.exact(values, "V") <= band.low.exact(values, "V") for values in corners)


@given(st.one_of(chains(), st.lists(any_band, min_size=1, max_size=4)))
@settings(max_examples=examples(250))
def test_no_faults_if_and_only_if_every_reading_has_one_band(bands: list[Band]) -> None:
    found = band_faults([(f"o{place}", band) for place, band in enumerate(bands)], "voltage", "V", NAMES)
    partition = counted(bands) == {1} and not any(always_empty(band) for band in bands)
    assert (found == ()) == partition, [each.message for each in found]


ohms = st.integers(-2, 4).map(lambda number: Expression((Term(1, Quantity(Decimal(number), "ohm")),)))
ohm_band = st.one_of(
    st.builds(lambda end, loose: Band(high=end, high_open=loose), ohms, st.booleans()),
    st.builds(lambda end, loose: Band(low=end, low_open=loose), ohms, st.booleans()),
    st.builds(lambda low, high: Band(low, high), ohms, ohms),
)


@given(st.lists(ohm_band, min_size=1, max_size=4))
@settings(max_examples=examples(300))
def test_of_what_is_never_negative_only_readings_from_zero_count(bands: list[Band]) -> None:
    found = band_faults([(f"o{place}", band) for place, band in enumerate(bands)], "resistance", "ohm", {})
    intervals = [band.resolve({}, "ohm") for band in bands]
    readings = [step / 2 for step in range(12)]  # every end and every place between two ends, and beyond
    once = all(sum(each.holds(reading) for each in intervals) == 1 for reading in readings)
    used = all(any(each.holds(reading) for reading in readings) for each in intervals)
    assert (found == ()) == (once and used), [each.message for each in found]


@given(chains())
def test_text_and_back(bands: list[Band]) -> None:
    for band in bands:
        assert parse_band(band.text()) == band
        assert parse_band(band.text()).text() == band.text()


@given(
    st.sampled_from(sorted(QUANTITIES)), st.lists(st.integers(1, 50), min_size=1, max_size=4, unique=True), st.data()
)
def test_every_reading_of_a_fitting_chain_is_held_once(quantity: str, limits: list[int], data: st.DataObject) -> None:
    unit = data.draw(st.sampled_from(QUANTITIES[quantity]))
    ordered = sorted(limits)
    texts = [
        f"< {ordered[0]} {unit}",
        *(f"{low} {unit} .. {high} {unit}" for low, high in pairwise(ordered)),
    ]
    texts.append(f">= {ordered[-1]} {unit}")
    bands = [(str(place), parse_band(text)) for place, text in enumerate(texts)]
    assert band_faults(bands, quantity, unit, {}) == ()
    number = data.draw(st.one_of(st.sampled_from([float(limit) for limit in ordered]), st.floats(0, 60)))
    for display in QUANTITIES[quantity]:
        shown = float(Quantity(Decimal(repr(number)), unit).exact(display))
        assert sum(band.resolve({}, display).holds(shown) for _, band in bands) == 1
    assert UNITS[unit].quantity == quantity
