"""Limits of the shipped procedures against published tables, and no dear verdict on one witness.

Sources: data sheets of relays, a printed table of a 10 kohm sensor, boiling of half glycol (readings.md there).
"""

from __future__ import annotations

import csv
import re
from itertools import pairwise
from math import sqrt

import pytest

from shopkb.core.flow.model import Flow, GoKind, Step, TestKind
from shopkb.core.readings.parsing import parse_quantity
from tests.shelf import ROOT, SHELF, every_flow, load

PUBLISHED = ROOT / "tests" / "data" / "published"


def table(name: str) -> list[dict[str, str]]:
    with (PUBLISHED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def coil_steps() -> list[Step]:
    blades = [("relay blade 85", "relay blade 86")]
    return [step for flow in SHELF.values() for step in flow.steps if step.reading and step.reading.between in blades]


@pytest.mark.parametrize("ohms", [float(row["coil_ohm"]) for row in table("relay_data_seen.csv") if row["coil_ohm"]])
def test_a_relay_coil_of_a_data_sheet_is_called_right(ohms: float) -> None:
    """75, 109 and 300 ohm; a shorted coil, which switches a good output off, has a band of its own beneath."""
    assert len(coil_steps()) == 3
    for step in coil_steps():
        held = [out.key for out in step.outcomes if out.band and out.band.resolve({}, "ohm").holds(ohms)]
        assert held == ["right"], step.key
        shorted = [out.key for out in step.outcomes if out.band and out.band.resolve({}, "ohm").holds(5.0)]
        assert shorted in (["short"], ["shorted"]), step.key


def test_contacts_that_a_data_sheet_allows_are_not_convicted() -> None:
    """New contacts may lose 0.2 V at 10 A, 20 mohm; the method asks 10 mohm and 0.1 V more, the same at 10 A."""
    allowed = [float(row["contact_drop_max_V_at_10A"]) for row in table("relay_data_seen.csv")[3:4]]
    limit = parse_quantity("10 mohm").si() * 10 + 0.1
    assert allowed == [0.2] and limit >= allowed[0]
    texts = {out.key: out.band for out in SHELF["voltage-drop-method"].step_by_key["contacts"].outcomes}
    assert texts["bad"] is not None and texts["bad"].text() == ">= contacts_drop + 0.1 V"


def test_a_sensor_ten_degrees_wrong_is_outside_and_four_degrees_of_doubt_are_inside() -> None:
    """From the Steinhart-Hart curve of a printed 10 kohm table: what 10 K and 4 K change where it is judged."""
    rows = [(float(row["temperature_C"]), float(row["steinhart_hart_ohm"])) for row in table("ntc_10k_curve.csv")]
    for (cold, low), (hot, high) in pairwise(rows):
        per_kelvin = (low / high) ** (1 / (hot - cold))
        if cold >= 0 and hot <= 90:
            assert per_kelvin**10 > 1.25 > per_kelvin**4, (cold, hot)
    bands = {out.key: out.band for out in SHELF["coolant-temperature-wrong"].step_by_key["sensor-ohms"].outcomes}
    assert bands["right"] is not None and bands["right"].text() == "sensor_now * 0.8 .. sensor_now * 1.25"


def test_the_engine_is_stopped_before_half_glycol_boils_without_pressure() -> None:
    """A cap that does not hold is one of the faults: half glycol boils at 105.7 to 107.8 °C at no pressure."""
    open_row = table("coolant_50_50_boiling.csv")[0]
    boils = float(open_row["raoult_C"])
    said = [
        (flow.procedure, step.key, int(degrees))
        for flow in SHELF.values()
        for step in flow.steps
        for degrees in re.findall(r"(?:off|[Ss]top[a-z ]*) at (\d{2,3}) °C", step.instruction)
    ]
    assert len(said) >= 8
    assert [place for place in said if place[2] > boils + 0.5] == []


HARD = frozenset({TestKind.MEASURE, TestKind.SUBSTITUTE, TestKind.POWER_DIRECTLY})
UNIT = re.compile(r"module|control-panel|control-output|fan/unit$")


SEEN_AT_ONCE = frozenset({
    "battery-damaged", "led-dead", "motor-seized", "oil-cooler-leaks", "reflector-dull",
    "ring-gear-worn", "starter-slips", "timing-broken",
})  # fmt: skip
"""Dear ones that one look or swap shows by itself: a cracked case, teeth that are gone, bubbles, a cam that stands."""


def fewest_witnesses(flow: Flow, cause: str, kinds: frozenset[TestKind] = HARD) -> int:
    """The fewest steps of these kinds on any way to the cause, the first step apart."""
    before: dict[str, list[Step]] = {}
    for step, outcome in flow.branches:
        if outcome.go.kind in (GoKind.STEP, GoKind.CAUSE):
            before.setdefault(outcome.go.key, []).append(step)

    def least(key: str) -> int:
        if key == flow.start:
            return 0
        return min(least(step.key) + (step.test in kinds and step.key != flow.start) for step in before[key])

    return least(cause)


@every_flow
def test_no_control_unit_is_condemned_by_fewer_than_three_readings(flow: Flow) -> None:
    """The dearest part that is bought in vain: whatever the way, at least three steps measured or substituted."""
    units = [cause for cause in flow.causes if UNIT.search(cause.component) and (cause.price or 0) >= 100]
    found = {cause.key: fewest_witnesses(flow, cause.key) for cause in units}
    assert {key: count for key, count in found.items() if count < 3} == {}


@every_flow
def test_a_dear_part_has_two_witnesses(flow: Flow) -> None:
    """Over 100 of the shop's currency, whatever the way: two tests beside the complaint itself speak for it."""
    tests = frozenset(TestKind) - {TestKind.QUESTION, TestKind.ACTION}
    dear = [cause.key for cause in flow.causes if (cause.price or 0) > 100 and cause.key not in SEEN_AT_ONCE]
    found = {key: fewest_witnesses(flow, key, tests) for key in dear}
    assert {key: count for key, count in found.items() if count < 2} == {}


@every_flow
def test_a_motor_is_fed_as_it_stopped(flow: Flow) -> None:
    """A spin by hand moves the rotor off the dead spot that stops it (common practice, no source)."""
    told = [step.key for step in flow.steps if re.search(r"[Ss]pin the wheel by hand", step.instruction)]
    assert told == []
    if flow.procedure == "overheats-fan-silent":
        fed = [step for step in flow.steps if step.test is TestKind.POWER_DIRECTLY and step.at == "cooling/fan/motor"]
        assert len(fed) == 3
        assert [step.key for step in fed if "Do not touch the wheel" not in step.instruction] == []


def test_the_plug_of_the_fan_is_measured_before_it_is_pulled() -> None:
    """Pulling it wipes its contacts: on every way the mated terminals come before the plug comes off."""
    flow = SHELF["overheats-fan-silent"]
    into = {step.key for step, outcome in flow.branches if outcome.go.key == "plug-look"}
    assert into == {"mated"}
    assert not flow.step_by_key["mated"].isolates


def test_no_thermostat_pump_or_sensor_is_convicted_before_the_air_is_out() -> None:
    flow = SHELF["hot-though-fan-runs"]
    ends = {
        step.key
        for step, outcome in flow.branches
        if outcome.go.key in ("thermostat-shut", "impeller-loose", "radiator-blocked")
    }
    assert ends == {"thermostat-water", "impeller", "radiator-face"}
    assert all("place" in flow.step_by_key[key].needs or "heater-hoses" in flow.step_by_key[key].needs for key in ends)
    assert flow.step_by_key["place"].needs == ("bleed",)


@pytest.mark.parametrize(
    ("procedure", "step", "low", "high", "meter"),
    [
        ("parasitic-draw-method", "fuse-map", "0.02 mV", "0.2 mV", "bench-multimeter"),
        ("parasitic-draw-method", "asleep", "45 mA", "55 mA", "milliampere-clamp"),
    ],
)
def test_a_meter_of_the_shop_can_judge_the_limit(procedure: str, step: str, low: str, high: str, meter: str) -> None:
    """A limit that every meter of the shop is unsure of is no limit: both sides of it are clear of the uncertainty.

    u = (percent of reading + counts) / sqrt(3), expanded by 2 (JCGM 100); our own guard band in the product is as wide.
    """
    rows = [row for one in load("meters") if one["key"] == meter for row in one["accuracies"]]
    quantity = SHELF[procedure].step_by_key[step].reading
    assert quantity is not None
    base = {"voltage": "V", "current": "A"}[quantity.quantity]
    limits = {"draw_limit": parse_quantity("50 mA")}
    bands = [out.band.resolve(limits, quantity.unit) for out in SHELF[procedure].step_by_key[step].outcomes if out.band]
    for text in (low, high):
        shown = parse_quantity(text)
        row = next(
            r for r in rows if r["quantity"] == quantity.quantity and parse_quantity(r["top"]).si() >= shown.si()
        )
        unsure = shown.si() * row["percent"] / 100 + row["counts"] * parse_quantity(row["resolution"]).si()
        doubt = 2 * unsure / sqrt(3)
        edges = [parse_quantity(f"{shown.si() + sign * doubt:.9f} {base}") for sign in (-1, 1)]
        held = {
            place for place, band in enumerate(bands) for edge in edges if band.holds(edge.to(quantity.unit).magnitude)
        }
        assert len(held) == 1, text
