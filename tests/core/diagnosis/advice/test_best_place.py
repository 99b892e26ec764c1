"""Where to measure next: half-splitting of a chain as the oracle, and what information may never do."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.circuit.parts import PartKind
from shopkb.core.diagnosis.advice.best_place import best_place, information, on_meter_scale, points_at_hand
from shopkb.core.diagnosis.belief.from_circuit import DOUBT
from shopkb.core.flow.circuit_forms import parse_defect, parse_join
from shopkb.core.flow.circuit_spec import CircuitSpec, FaultSpec, PartSpec, SupplySpec
from shopkb.core.flow.model import Cause, Flow, Step
from shopkb.core.readings.expressions import parse_expression
from tests.core.flow.circuits.test_predicted import HORN


def amount(text: str) -> dict[str, object]:
    return {"ohms": parse_expression(text, text)}


def chain(length: int, cautions: tuple[str, ...] = ()) -> tuple[Flow, Step]:
    """Wires in a row from the battery to a load, any of which may be open; only its first end is read by the way as
    written, the joints by steps that nobody comes to."""
    ends = ["battery+", *(f"joint-{number}" for number in range(1, length)), "load-in"]
    wires = tuple(
        PartSpec(f"wire-{number}", PartKind.WIRE, ends[number], ends[number + 1], **amount("10 mohm"))  # type: ignore[arg-type]
        for number in range(length)
    )
    load = PartSpec("load", PartKind.LOAD, "load-in", "battery-", **amount("6 ohm"))  # type: ignore[arg-type]
    volts = parse_expression("12.6 V", "12.6 V")
    causes = tuple(
        Cause(
            f"open-{number}", "body/horn", f"open {number}", fault=FaultSpec((f"wire-{number}",), parse_defect("open"))
        )
        for number in range(length)
    )
    pattern = HORN.step_by_key["supply"]
    assert pattern.reading is not None
    first = replace(
        pattern,
        key="first",
        state=(),
        reading=replace(pattern.reading, probes=(parse_join("battery+ to battery-"),)),
    )
    joints = tuple(parse_join(f"{end} to battery-") for end in ends[1:])
    off = replace(
        first,
        key="off",
        cautions=cautions,
        reading=replace(pattern.reading, quantity="resistance", unit="ohm", probes=joints),
    )
    circuit = CircuitSpec(SupplySpec(volts), (), (*wires, load))
    return replace(HORN, circuit=circuit, steps=(first, off), causes=causes, start="first", values=()), first


def binary(share: float) -> float:
    return -sum(part * math.log2(part) for part in (share, 1 - share) if part > 0)


def of_split(share: float) -> float:
    """Bits of a reading that tells on which side the fault is, in doubt as the circuit is."""
    return binary(share) - share * binary((1 - DOUBT) + DOUBT * share) - (1 - share) * binary(DOUBT * share)


@pytest.mark.parametrize("length", [2, 4, 6, 8])
def test_a_chain_is_split_in_the_middle(length: int) -> None:
    """Half-splitting: with all places as likely, the middle of what is left is measured (common practice)."""
    flow, step = chain(length)
    place = best_place(flow, step, {cause.key: 1 / length for cause in flow.causes})
    assert place is not None
    assert {place.red, place.black} == {f"joint-{length // 2}", "battery-"}
    assert place.bits == pytest.approx(of_split(0.5), abs=1e-3)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0.05, 1), min_size=3, max_size=7))
def test_a_chain_is_split_where_the_chances_are_most_even(weights: list[float]) -> None:
    flow, step = chain(len(weights))
    shares = np.array(weights) / sum(weights)
    place = best_place(flow, step, {f"open-{number}": float(share) for number, share in enumerate(shares)})
    expected = max(of_split(float(share)) for share in np.cumsum(shares)[:-1])
    assert place is not None
    # two joints tell three sides apart, so one pair of points may tell more than one joint
    assert place.bits >= expected - 1e-3
    assert place.bits <= math.log2(len(weights)) + 1e-9


def test_what_does_not_lie_at_hand_or_asks_for_another_caution_is_not_proposed() -> None:
    flow, step = chain(4, cautions=("probe-terminals",))
    assert points_at_hand(flow, step) == ("battery+", "battery-")
    assert best_place(flow, step, {cause.key: 0.25 for cause in flow.causes}) is None
    other = replace(flow, steps=(step, replace(flow.steps[1], cautions=(), access="cabin")))
    assert best_place(other, step, {cause.key: 0.25 for cause in flow.causes}) is None


def test_nothing_is_proposed_where_what_is_written_tells_as_much() -> None:
    flow, step = chain(4)
    chances = {cause.key: 0.25 for cause in flow.causes}
    assert step.reading is not None
    middle = replace(step, reading=replace(step.reading, probes=(parse_join("joint-2 to battery-"),)))
    assert best_place(replace(flow, steps=(middle, flow.steps[1])), middle, chances) is None
    assert best_place(flow, step, chances, written=0.9) is None
    assert best_place(flow, step, chances) is not None
    assert best_place(flow, step, {"open-0": 1.0}) is None
    assert best_place(flow, flow.steps[1], chances) is None  # an ohmmeter is not put on a live circuit
    assert best_place(replace(flow, circuit=None), step, chances) is None


def test_a_reading_that_was_taken_is_not_proposed_again() -> None:
    flow, step = chain(4)
    chances = {cause.key: 0.25 for cause in flow.causes}
    taken = replace(flow.steps[1], key="taken")
    place = best_place(replace(flow, steps=(*flow.steps, taken)), step, chances, done=("taken",))
    assert place is None or "battery-" not in (place.red, place.black)
    first = best_place(flow, step, chances)
    assert first is not None
    assert (first.sound, first.cause, first.with_cause) == ("12.5 V", "open-0", "0 V")


def test_causes_outside_the_circuit_leave_less_to_tell() -> None:
    flow, step = chain(4)
    inside = best_place(flow, step, {cause.key: 0.25 for cause in flow.causes})
    outside = best_place(flow, step, {**{cause.key: 0.2 for cause in flow.causes}, "elsewhere": 0.2})
    assert inside is not None
    assert outside is not None
    assert outside.bits < inside.bits


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.lists(st.floats(-15, 15), min_size=4, max_size=4), min_size=2, max_size=5),
    st.lists(st.floats(0.01, 1), min_size=5, max_size=5),
)
def test_information_lies_between_nothing_and_what_there_is_to_know(volts: list[list[float]], raw: list[float]) -> None:
    densities = on_meter_scale(np.array(volts))
    assert densities.sum(axis=1) == pytest.approx(1)
    chances = np.array(raw[: len(volts)]) / sum(raw[: len(volts)])
    bits = information(densities, chances)
    assert 0 <= bits <= -(chances * np.log2(chances)).sum() + 1e-9
    assert bits == pytest.approx(information(densities[::-1], chances[::-1]), abs=1e-9)
    alike = np.repeat(densities[:1], len(volts), axis=0)
    assert information(alike, chances) == pytest.approx(0, abs=1e-9)


def test_two_readings_closer_than_a_meter_tells_are_one() -> None:
    near, apart = np.array([[12.6], [12.55]]), np.array([[12.6], [11.0]])
    halves = np.array([0.5, 0.5])
    assert information(on_meter_scale(near), halves) < 0.05
    assert information(on_meter_scale(apart), halves) > 0.99
