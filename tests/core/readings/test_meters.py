"""Judging readings, against published decision rules and worked accuracies, with scipy as the normal law."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from shopkb.core.readings.accuracy import Accuracy, Meter, limit_of_error
from shopkb.core.readings.bands import Band, Interval, parse_band
from shopkb.core.readings.judgement import Judgement, Verdict, conformance_probability, judge
from shopkb.core.readings.parsing import parse_quantity, parse_reading
from shopkb.core.readings.quantities import Quantity, Reading, ReadingError
from tests.core.readings.published import rows

TOO_CLOSE = "too close to the limit for this meter: measure again, with the better meter, or under load"


def accuracy(percent: str, counts: str, resolution: str, top: str) -> Accuracy:
    step = parse_quantity(resolution)
    return Accuracy(step.quantity, parse_quantity(top), Decimal(percent), Decimal(counts), step)


METER = Meter(
    "bench-meter",
    "Bench meter",
    (
        accuracy("0.5", "2", "0.001 V", "2 V"),
        accuracy("0.5", "2", "0.01 V", "20 V"),
        accuracy("0.8", "3", "0.1 ohm", "200 ohm"),
        accuracy("1", "2", "0.1 degC", "200 degC"),
    ),
)
DROP = (("good", parse_band("<= 0.2 V")), ("bad", parse_band("> 0.2 V")))
REST = (("flat", parse_band("< 12.4 V")), ("charged", parse_band(">= 12.4 V")))


def judged(text: str, bands: tuple[tuple[str, Band], ...] = REST, meter: Meter | None = METER) -> Judgement:
    return judge(bands, parse_reading(text, "voltage", "V"), {}, "voltage", "V", meter)


@pytest.mark.parametrize("row", rows("dmm_accuracy_examples"), ids=lambda row: row["case"])
def test_published_accuracies(row: dict[str, str]) -> None:
    # Makers' worked examples; u = a / sqrt(3), JCGM 100:2008.
    step = Quantity(Decimal(row["resolution"]), "V")
    stated = Accuracy(
        "voltage", Quantity(Decimal(1000), "V"), Decimal(row["percent_of_reading"]), Decimal(row["counts"]), step
    )
    reading = Quantity(Decimal(row["reading"]), "V")
    assert limit_of_error(reading, stated) == pytest.approx(float(row["limit_of_error"]), abs=1e-9)
    spread = limit_of_error(reading, stated) / math.sqrt(3)
    assert spread == pytest.approx(float(row["standard_uncertainty_rectangular"]), abs=5e-6)
    assert 2 * spread == pytest.approx(float(row["expanded_uncertainty_k2"]), abs=1e-5)
    assert limit_of_error(reading.to("mV"), stated) == pytest.approx(1000 * float(row["limit_of_error"]), abs=1e-6)


@pytest.mark.parametrize("row", rows("decision_rule_examples"), ids=lambda row: f"{row['case']} {row['reading']}")
def test_published_decisions(row: dict[str, str]) -> None:
    # JCGM 106:2012 for the probability, ILAC-G8:09/2019 for the guard band w = U.
    spread, reading = float(row["standard_uncertainty"]), float(row["reading"])
    low = float(row["lower_limit"] or "-inf")
    high = float(row["upper_limit"])
    inside = Interval(low, high, False, False)
    assert conformance_probability(inside, reading, spread) == pytest.approx(
        float(row["conformance_probability"]), abs=0.00005
    )
    bands = [("pass", parse_band(f"{low} V .. {high} V" if row["lower_limit"] else f"<= {high} V"))]
    bands.append(("high", parse_band(f">= {high} V" if row["lower_limit"] else f"> {high} V")))
    if row["lower_limit"]:
        bands.append(("low", parse_band(f"< {low} V")))
    exact = Accuracy(
        "voltage",
        Quantity(Decimal(1000), "V"),
        Decimal(0),
        Decimal(repr(spread * math.sqrt(3))),
        Quantity(Decimal(1), "V"),
    )
    meter = Meter("table", "Table", (exact,))
    found = judge(bands, parse_reading(row["reading"], "voltage", "V"), {}, "voltage", "V", meter)
    assert (found.outcome == "pass") == (row["simple_acceptance"] == "PASS")
    undecided = row["guarded_w_equals_U"] == "INCONCLUSIVE"
    assert found.verdict is (Verdict.TOO_CLOSE if undecided else Verdict.CLEAR)
    assert found.margin is not None
    assert float(found.margin.magnitude) == pytest.approx(float(row["expanded_uncertainty_k2"]), rel=1e-5)


@pytest.mark.parametrize("row", rows("conformance_z"), ids=lambda row: row["z"])
def test_one_limit(row: dict[str, str]) -> None:
    probability = float(row["conformance_probability_one_limit"])
    assert conformance_probability(Interval(high=0.0), -float(row["z"]), 1.0) == pytest.approx(probability, abs=0.0001)


def test_risk_at_the_guarded_limit() -> None:
    # ILAC-G8:09/2019: below 2.5 percent with w = U; 2.275 percent by the normal law.
    assert 1 - conformance_probability(Interval(high=0.0), -2.0, 1.0) == pytest.approx(0.02275, abs=0.00005)


@given(st.floats(-50, 50), st.floats(0, 30), st.booleans(), st.booleans(), st.floats(-100, 100), st.floats(0.01, 20))
def test_probability_agrees_with_scipy(
    low: float, width: float, no_low: bool, no_high: bool, number: float, spread: float
) -> None:
    interval = Interval(-math.inf if no_low else low, math.inf if no_high else low + width)
    law = norm(loc=number, scale=spread)
    expected = law.cdf(interval.high) - law.cdf(interval.low)
    assert conformance_probability(interval, number, spread) == pytest.approx(expected, abs=1e-12)


def test_no_uncertainty_and_over_limit() -> None:
    assert conformance_probability(Interval(0.0, 1.0), 0.5, 0.0) == 1.0
    assert conformance_probability(Interval(0.0, 1.0), 1.0, 0.0) == 0.0
    assert conformance_probability(Interval(over_limit=True), 1.0, 1.0) == 0.0


@pytest.mark.parametrize(
    ("text", "outcome", "verdict", "neighbour", "words"),
    [
        ("12.16", "flat", Verdict.CLEAR, "", "0.24 V under 12.4 V; this meter is good to ±0.08 V here"),
        ("12.84", "charged", Verdict.CLEAR, "", "0.44 V over 12.4 V; this meter is good to ±0.08 V here"),
        ("12.45", "charged", Verdict.TOO_CLOSE, "flat", TOO_CLOSE),
        ("12.40", "charged", Verdict.TOO_CLOSE, "flat", TOO_CLOSE),
        ("12.38 V", "flat", Verdict.TOO_CLOSE, "charged", TOO_CLOSE),
        ("12,16", "flat", Verdict.CLEAR, "", "0.24 V under 12.4 V; this meter is good to ±0.08 V here"),
        ("12160 mV", "flat", Verdict.CLEAR, "", "0.24 V under 12.4 V; this meter is good to ±0.08 V here"),
        (
            "24",
            "charged",
            Verdict.UNJUDGED,
            "",
            "12 V over 12.4 V; the accuracy of Bench meter is not known here, so the reading is taken as it stands",
        ),
    ],
)
def test_words_for_the_person_at_the_vehicle(
    text: str, outcome: str, verdict: Verdict, neighbour: str, words: str
) -> None:
    found = judged(text)
    assert (found.outcome, found.verdict, found.neighbour, found.words) == (outcome, verdict, neighbour, words)


def test_the_smallest_range_that_holds_the_reading_counts() -> None:
    found = judged("0.18", DROP)
    assert found.verdict is Verdict.CLEAR
    assert found.words == "0.02 V under 0.2 V; this meter is good to ±0.003 V here"
    assert METER.accuracy_for(parse_quantity("1999 mV")) == METER.accuracies[0]
    assert METER.accuracy_for(parse_quantity("-2.001 V")) == METER.accuracies[1]
    assert METER.accuracy_for(parse_quantity("21 V")) is None
    assert METER.accuracy_for(parse_quantity("1 A")) is None


def test_without_a_meter_nothing_is_claimed() -> None:
    found = judged("12.45", meter=None)
    assert found == Judgement(
        "charged",
        Verdict.UNJUDGED,
        None,
        parse_quantity("0.05 V"),
        None,
        "",
        "0.05 V over 12.4 V; no meter was named, so the reading is taken as it stands",
    )


def test_on_the_limit() -> None:
    assert judged("12.4", meter=None).words == (
        "on the limit of 12.4 V; no meter was named, so the reading is taken as it stands"
    )


def test_a_reading_no_band_holds() -> None:
    bands = (("low", parse_band("< 1 V")), ("high", parse_band(">= 2 V")))
    clear = judged("1.5", bands)
    assert (clear.outcome, clear.verdict, clear.probability) == ("", Verdict.CLEAR, 0.0)
    near = judged("1.001", bands)
    assert (near.outcome, near.verdict, near.neighbour) == ("", Verdict.TOO_CLOSE, "low")


def test_over_limit_leads_to_its_band_or_else_to_the_topmost() -> None:
    shown = Reading(None, over_limit=True)
    bands = [("closed", parse_band("< 100 ohm")), ("high", parse_band(">= 100 ohm"))]
    topmost = judge(bands, shown, {}, "resistance", "ohm", METER)
    assert topmost == Judgement("high", Verdict.CLEAR, 1.0, None, None, "", "the meter shows over limit")
    marked = judge([*bands, ("open", parse_band("over-limit"))], shown, {}, "resistance", "ohm", None)
    assert marked == Judgement("open", Verdict.UNJUDGED, None, None, None, "", "the meter shows over limit")
    nowhere = judge(bands[:1], shown, {}, "resistance", "ohm", METER)
    assert (nowhere.outcome, nowhere.probability) == ("", 0.0)


def test_zero_is_no_limit_for_what_is_never_negative() -> None:
    bands = [("closed", parse_band("0 ohm .. 5 ohm")), ("high", parse_band(">= 5 ohm"))]
    found = judge(bands, parse_reading("0.1", "resistance", "ohm"), {}, "resistance", "ohm", METER)
    assert (found.outcome, found.verdict) == ("closed", Verdict.CLEAR)
    assert found.words == "4.9 Ω under 5 Ω; this meter is good to ±0.3 Ω here"
    assert found.probability == pytest.approx(1.0)


def test_leads_together_may_show_a_little_below_zero() -> None:
    bands = [("closed", parse_band("0 ohm .. 5 ohm")), ("high", parse_band(">= 5 ohm"))]
    found = judge(bands, parse_reading("-0.2", "resistance", "ohm"), {}, "resistance", "ohm", METER)
    assert (found.outcome, found.verdict) == ("closed", Verdict.CLEAR)
    nothing = [("nothing", parse_band("<= 0 ohm")), ("some", parse_band("> 0 ohm"))]
    assert judge(nothing, parse_reading("0", "resistance", "ohm"), {}, "resistance", "ohm", None).outcome == "nothing"


def test_a_temperature_in_another_unit_than_the_meter_states() -> None:
    # 212 degF are 100 degC: a = 1 percent of 100 + 0.2 = 1.2 K = 2.16 degF of difference.
    found = judge([("hot", parse_band(">= 200 degF"))], parse_reading("212", "temperature", "degF"), {},
                  "temperature", "degF", METER)  # fmt: skip
    assert found.margin is not None
    assert float(found.margin.magnitude) == pytest.approx(2 * 2.16 / math.sqrt(3), rel=1e-5)


def test_missing_values_and_other_quantities_are_refused() -> None:
    bands = [("good", parse_band(">= battery")), ("bad", parse_band("< battery"))]
    with pytest.raises(ReadingError) as error:
        judge(bands, parse_reading("12", "voltage", "V"), {}, "voltage", "V", METER)
    assert str(error.value) == "battery has no value yet. Give battery in V first"
    with pytest.raises(ReadingError):
        judge(DROP, Reading(parse_quantity("3 ohm")), {}, "voltage", "V", METER)


@pytest.mark.parametrize(
    ("percent", "counts", "resolution", "top", "words"),
    [
        ("0.5", "2", "0 V", "20 V", "The resolution of a range cannot be 0 V. Give a resolution above 0"),
        ("0.5", "2", "0.01 V", "-20 V", "The top of a range cannot be -20 V. Give a top above 0"),
        (
            "0.5",
            "2",
            "0.01 V",
            "20 A",
            "The top of a voltage range cannot be 20 A. Give a top that is a voltage",
        ),
        ("-1", "2", "0.01 V", "20 V", "An accuracy cannot be negative. Give percent and counts of 0 or more"),
    ],
)
def test_accuracies_that_no_meter_has(percent: str, counts: str, resolution: str, top: str, words: str) -> None:
    with pytest.raises(ReadingError) as error:
        accuracy(percent, counts, resolution, top)
    assert str(error.value) == words


@given(st.decimals(min_value=-20, max_value=20, places=3), st.integers(-15, 15), st.integers(1, 5))
def test_laws_of_judging(number: Decimal, low: int, width: int) -> None:
    bands = [
        ("low", parse_band(f"< {low} V")),
        ("middle", parse_band(f"{low} V .. {low + width} V")),
        ("high", parse_band(f">= {low + width} V")),
    ]
    found = judge(bands, Reading(Quantity(number, "V"), decimals=3), {}, "voltage", "V", METER)
    assert found.outcome
    assert found.probability is not None
    assert found.margin is not None
    near = min(abs(number - low), abs(number - low - width)) if found.outcome == "middle" else (
        abs(number - (low if found.outcome == "low" else low + width)))  # fmt: skip
    if abs(float(near) - float(found.margin.magnitude)) > 1e-4:
        assert (found.verdict is Verdict.TOO_CLOSE) == (float(near) < float(found.margin.magnitude))
    if found.verdict is Verdict.CLEAR:
        assert found.probability > 0.95
        assert found.neighbour == ""
    else:
        assert found.neighbour not in ("", found.outcome)
