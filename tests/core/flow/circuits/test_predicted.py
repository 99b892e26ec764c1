"""What a circuit says of the steps of its procedure: readings, their spread, and how likely outcomes are."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from shopkb.core.circuit.parts import PartKind
from shopkb.core.flow.circuit_forms import parse_defect, parse_spread
from shopkb.core.flow.circuit_spec import CircuitSpec, PartSpec
from shopkb.core.flow.circuits.predicted import NOTHING, SOUND, outcome_shares, predictions
from shopkb.core.flow.circuits.sizes import (
    SAMPLES,
    SizeUnknown,
    fault_ohms,
    faults_of,
    measured_steps,
    sampled_values,
    sized,
    spread_out,
)
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.model import Flow
from shopkb.core.readings.expressions import parse_expression
from shopkb.core.readings.quantities import Quantity
from tests.core.circuit.test_solving import assert_as_ngspice
from tests.core.flow.builders import DATA

FLOWS = Path(__file__).parents[4] / "flows"
SHIPPED = sorted(file for file in FLOWS.glob("*.yaml") if "\ncircuit:" in file.read_text(encoding="utf-8"))


def flow_in(file: Path) -> Flow:
    flow = read_flow(file.read_bytes()).flow
    assert flow is not None
    return flow


HORN = flow_in(DATA / "valid" / "horn-circuit.yaml")


def test_a_sound_circuit_and_each_cause_read_what_ohms_law_gives() -> None:
    found = predictions(HORN)
    fuse, contact, pin = (math.sqrt(low * high) for low, high in ((1, 8), (1.5, 20), (0.5, 5)))
    wire = 3 * (1 + 1.16) / 2 * 1000 / 58 / 1.75 * (1 + 0.00393 * 40)
    before = (8 + fuse + contact + wire) / 1000
    current = 12.6 / (before + (2 * pin + 5) / 1000 + 13 / 6)
    assert found.of("supply")[0] == pytest.approx(12.6 - current * before, abs=0.005)
    assert found.of("supply", "feed-chafed")[0] == pytest.approx(0, abs=0.01)
    assert found.of("coil")[0] == pytest.approx(80, rel=1e-3)
    assert found.of("alone")[0] == pytest.approx(1000 * 12.6 * 0.1 / (0.128 + 13 / 6), rel=1e-2)
    assert found.of("alone", "horn-open")[0] == pytest.approx(0, abs=1)


def test_a_cause_in_any_of_several_parts_has_the_readings_of_each() -> None:
    found = predictions(HORN)
    assert len(found.of("pins", "terminals")) == 2 * SAMPLES
    assert len(found.of("pins", "horn-open")) == SAMPLES
    assert found.of("pins", "terminals")[0] > 0.5


def test_values_of_the_run_narrow_what_is_told() -> None:
    known = {"feed_wire": Quantity(Decimal("2.5"), "mm2")}
    wide, narrow = predictions(HORN), predictions(HORN, known)
    assert np.ptp(narrow.of("supply")) < np.ptp(wide.of("supply"))
    assert predictions(HORN, known) is narrow


def test_shares_of_outcomes_sum_to_one_and_follow_the_circuit() -> None:
    found = predictions(HORN)
    for step in HORN.steps:
        for cause in (SOUND, *found.causes):
            shares = outcome_shares(found, step, cause)
            assert shares.sum() == pytest.approx(1)
    pins = HORN.step_by_key["pins"]
    assert outcome_shares(found, pins, SOUND)[0] > 0.99
    assert outcome_shares(found, pins, "terminals")[1] > 0.95


def test_without_a_circuit_nothing_is_told() -> None:
    assert predictions(replace(HORN, circuit=None)) is NOTHING
    assert len(outcome_shares(NOTHING, HORN.steps[0], SOUND)) == 0


def test_each_part_of_a_range_is_sampled_once() -> None:
    table = spread_out(3)
    assert (table[0] == 0.5).all()
    for column in table[1:].T:
        assert sorted((column * (SAMPLES - 1)).astype(int)) == list(range(SAMPLES - 1))


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [("series 1 ohm .. 100 ohm", 1, 100), ("times 20 % .. 50 %", 0.2, 0.5), ("to-earth", 0.001, 0.1)],
)
def test_faults_are_spread_over_their_range(text: str, low: float, high: float) -> None:
    ohms = fault_ohms(parse_defect(text), spread_out(1)[:, 0])
    assert low <= ohms.min() < ohms.max() <= high
    assert ohms[0] == pytest.approx((low * high) ** 0.5)


def test_a_fault_without_an_end_is_open_one_time_in_four() -> None:
    ohms = fault_ohms(parse_defect("series 0.1 ohm .. open"), spread_out(1)[:, 0])
    assert np.isinf(ohms).sum() == pytest.approx(SAMPLES / 4, abs=1)
    assert ohms.min() >= 0.1


SIZES = [
    ({"ohms": "2 ohm", "within": "10 %"}, 1.8, 2.2),
    ({"within": "0 mohm .. 8 mohm"}, 0, 0.008),
    ({"amps": "6 A", "at": "12 V", "within": "0 %"}, 2, 2),
    ({"area": "1.5 mm2", "length": "2 m"}, 0.0229, 0.0266),  # ideal copper to IEC 60228 class 5: 13.3 mohm/m
]


@pytest.mark.parametrize(("sizes", "low", "high"), SIZES)
def test_sizes_of_parts(sizes: dict[str, str], low: float, high: float) -> None:
    fields = {
        name: parse_spread(text) if name == "within" else parse_expression(text, text) for name, text in sizes.items()
    }
    part = PartSpec("part", PartKind.WIRE, "battery+", "battery-", **fields)  # type: ignore[arg-type]
    _, found = sized(CircuitSpec(None, (), (part,)), sampled_values(HORN, {}))
    assert found.ohms.min() == pytest.approx(low, rel=0.03, abs=3e-4)
    assert found.ohms.max() == pytest.approx(high, rel=0.03, abs=3e-4)


@pytest.mark.parametrize(
    ("kind", "sizes", "where", "words"),
    [
        (PartKind.LOAD, {}, "circuit.parts.part", "has no size"),
        (PartKind.WIRE, {"area": "2 mm2"}, "circuit.parts.part", "area or length alone"),
        (PartKind.LOAD, {"amps": "0 A"}, "circuit.parts.part.amps", "takes no current"),
        (PartKind.LOAD, {"ohms": "rated"}, "circuit.parts.part.ohms", "has no value yet"),
        (PartKind.LOAD, {"ohms": "3 V"}, "circuit.parts.part.ohms", "resistance"),
    ],
)
def test_sizes_that_cannot_be_worked_out(kind: PartKind, sizes: dict[str, str], where: str, words: str) -> None:
    fields = {name: parse_expression(text, text) for name, text in sizes.items()}
    part = PartSpec("part", kind, "battery+", "battery-", **fields)  # type: ignore[arg-type]
    with pytest.raises(SizeUnknown, match=words) as refused:
        sized(CircuitSpec(None, (), (part,)), sampled_values(HORN, {}))
    assert refused.value.where == where
    assert refused.value.hint.endswith(".")


@pytest.mark.parametrize("file", [DATA / "valid" / "horn-circuit.yaml", *SHIPPED], ids=lambda file: file.stem)
def test_every_fault_of_every_step_reads_as_in_ngspice(file: Path) -> None:
    flow = flow_in(file)
    assert flow.circuit is not None
    circuit, sizes = sized(flow.circuit, sampled_values(flow, {}))
    tests = [(condition, measured) for _, condition, measured in measured_steps(flow.steps)]
    for sample in (0, 7):
        assert assert_as_ngspice(circuit, sizes, tests, list(faults_of(flow)), sample) > 0


def test_a_draft_with_other_limits_shares_the_readings_and_has_shares_of_its_own() -> None:
    flow = read_flow(Path("flows/overheats-fan-silent.yaml").read_text(encoding="utf-8")).flow
    assert flow is not None
    step = flow.step_by_key["supply"]
    turned = replace(step, outcomes=step.outcomes[::-1])
    other = replace(flow, steps=tuple(turned if each is step else each for each in flow.steps))
    one, two = predictions(flow), predictions(other)
    assert one.table is two.table
    cause = one.causes[0]
    assert list(outcome_shares(one, step, cause)) == list(outcome_shares(two, turned, cause))[::-1]
    louder = replace(flow, values=tuple(replace(value, high=value.low) if value.key == "fan_power" else value
                                        for value in flow.values))  # fmt: skip
    assert predictions(louder).table is not one.table
