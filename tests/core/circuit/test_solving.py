"""Readings against published worked examples, against ngspice on circuits made at random, and their laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.circuit.parts import (
    MINUS,
    PLUS,
    Circuit,
    Condition,
    Fault,
    FaultKind,
    Lead,
    Measured,
    Part,
    PartKind,
    Sizes,
)
from shopkb.core.circuit.solving import readings, solution_of
from tests.core.circuit.spice import Case, spice_readings
from tests.examples import examples

NONE = math.nan


def circuit(*rows: tuple[str, PartKind, str, str, float, float]) -> tuple[Circuit, Sizes]:
    parts = Circuit(tuple(Part(key, kind, first, second) for key, kind, first, second, _, _ in rows))
    ohms, volts = (np.array([[row[at] for row in rows]]) for at in (4, 5))
    return parts, Sizes(ohms, volts, np.full_like(ohms, NONE))


def read(rows: tuple[Circuit, Sizes], measured: Measured, condition: Condition | None = None) -> float:
    return float(readings(*rows, [(condition or Condition(), measured)], [])[0, 0, 0])


def current(part: str) -> Measured:
    return Measured("current", through=part)


# T. R. Kuphaldt, Lessons in Electric Circuits, volume I, chapter 10 (branch current and mesh current method).

TWO_BATTERIES = circuit(
    ("b1", PartKind.SUPPLY, PLUS, MINUS, 1e-5, 28),
    ("r1", PartKind.RESISTOR, PLUS, "middle", 4, 0),
    ("r2", PartKind.RESISTOR, "middle", MINUS, 2, 0),
    ("r3", PartKind.RESISTOR, "middle", "top", 1, 0),
    ("b2", PartKind.SUPPLY, "top", MINUS, 1e-5, 7),
)
BRIDGE = circuit(
    ("b", PartKind.SUPPLY, PLUS, MINUS, 1e-5, 24),
    ("r1", PartKind.RESISTOR, PLUS, "left", 150, 0),
    ("r2", PartKind.RESISTOR, PLUS, "right", 50, 0),
    ("r3", PartKind.RESISTOR, "left", "right", 100, 0),
    ("r4", PartKind.RESISTOR, "left", MINUS, 300, 0),
    ("r5", PartKind.RESISTOR, "right", MINUS, 250, 0),
)


@pytest.mark.parametrize(("part", "ampere"), [("r1", 5.0), ("r2", 4.0), ("r3", 1.0)])
def test_two_batteries_and_three_resistors_as_published(part: str, ampere: float) -> None:
    assert read(TWO_BATTERIES, current(part)) == pytest.approx(ampere, rel=1e-4)


@pytest.mark.parametrize(("part", "milliampere"), [("b", 136.092), ("r5", 77.241), ("r2", 93.793)])
def test_unbalanced_bridge_as_published(part: str, milliampere: float) -> None:
    assert 1000 * read(BRIDGE, current(part)) == pytest.approx(milliampere, rel=1e-4)


def test_a_voltmeter_loads_a_divider() -> None:
    """Two resistors of 10 Mohm and a meter of 10 Mohm: a third of the supply is read, not half."""
    divider = circuit(
        ("b", PartKind.SUPPLY, PLUS, MINUS, 1e-3, 12),
        ("upper", PartKind.RESISTOR, PLUS, "middle", 10e6, 0),
        ("lower", PartKind.RESISTOR, "middle", MINUS, 10e6, 0),
    )
    assert read(divider, Measured("voltage", (("middle", MINUS),))) == pytest.approx(4, abs=1e-3)


def test_a_tip_on_a_point_joined_to_nothing_reads_nothing() -> None:
    lone = circuit(("b", PartKind.SUPPLY, PLUS, MINUS, 0.01, 12.6), ("s", PartKind.SWITCH, PLUS, "out", 0.01, 0))
    assert read(lone, Measured("voltage", ((PLUS, "out"),))) == pytest.approx(0, abs=1e-3)
    assert read(lone, Measured("voltage", (("out", MINUS),)), Condition(closed=frozenset({"s"}))) == pytest.approx(
        12.6, abs=1e-3
    )


def relay_circuit() -> tuple[Circuit, Sizes]:
    rows = (
        ("battery", PartKind.SUPPLY, PLUS, MINUS, 0.01, 12.6),
        ("button", PartKind.SWITCH, PLUS, "coil-in", 0.05, 0.0),
        ("coil", PartKind.COIL, "coil-in", MINUS, 80.0, 0.0),
        ("fuse", PartKind.FUSE, PLUS, "fused", 0.005, 0.0),
        ("contact", PartKind.CONTACT, "fused", "feed", 0.005, 0.0),
        ("horn", PartKind.LOAD, "feed", MINUS, 2.0, 0.0),
    )
    made, sizes = circuit(*rows)
    more = {"contact": {"coil": "coil"}, "fuse": {"rating": 15.0}, "horn": {"connector": "Horn connector"}}
    fields = ("key", "kind", "first", "second")
    parts = [Part(*(getattr(part, name) for name in fields), **more.get(part.key, {})) for part in made.parts]
    return Circuit(tuple(parts)), sizes


PRESSED = Condition(closed=frozenset({"button"}))
HORN_VOLTS = Measured("voltage", (("feed", MINUS),))


@pytest.mark.parametrize(
    ("fault", "volts"),
    [
        (None, 12.5),
        (("coil", FaultKind.OPEN, 1.0), 0.0),
        (("coil", FaultKind.SERIES, 80.0), 0.0),
        (("coil", FaultKind.SERIES, 20.0), 12.5),
        (("contact", FaultKind.SERIES, 2.0), 6.27),
        (("contact", FaultKind.STUCK_OPEN, 1.0), 0.0),
        (("fuse", FaultKind.OPEN, 1.0), 0.0),
        (("contact", FaultKind.TO_EARTH, 0.1), 0.0),
        (("horn", FaultKind.OPEN, 1.0), 12.6),
        (("horn", FaultKind.SHORT, 0.01), 0.0),
    ],
)
def test_relays_pull_in_and_fuses_blow(fault: tuple[str, FaultKind, float] | None, volts: float) -> None:
    faults = [Fault("cause", fault[0], fault[1], np.array([fault[2]]))] if fault else []
    found = readings(*relay_circuit(), [(PRESSED, HORN_VOLTS)], faults)
    assert found[0, -1, 0] == pytest.approx(volts, abs=0.06)


def test_a_contact_that_is_welded_feeds_the_horn_with_nothing_pressed() -> None:
    stuck = Fault("welded", "contact", FaultKind.STUCK_CLOSED, np.ones(1))
    found = readings(*relay_circuit(), [(Condition(), HORN_VOLTS)], [stuck])
    assert found[0, :, 0] == pytest.approx([0, 12.5], abs=0.06)


def test_unplugged_parts_are_open_and_leads_feed() -> None:
    lead = Condition(unplugged=frozenset({"horn connector"}), leads=(Lead(PLUS, "feed", 0.02),))
    assert read(relay_circuit(), Measured("current", through="horn"), lead) == pytest.approx(0, abs=1e-6)
    fed = Condition(leads=(Lead(PLUS, "feed", 0.02),))
    assert read(relay_circuit(), Measured("current", through="lead"), fed) == pytest.approx(12.6 / 2.03, rel=1e-3)


def test_an_ohmmeter_sees_coils_not_loads_at_work() -> None:
    assert read(relay_circuit(), Measured("resistance", (("coil-in", MINUS),))) == pytest.approx(80, rel=1e-4)
    assert math.isnan(read(relay_circuit(), Measured("resistance", (("feed", MINUS),))))
    apart = Condition(unplugged=frozenset({"horn connector"}))
    assert read(relay_circuit(), Measured("resistance", (("feed", MINUS),)), apart) == math.inf


def test_points_and_parts_that_are_not_there_read_nothing() -> None:
    for measured in (
        Measured("voltage", (("nowhere", MINUS),)),
        Measured("resistance", ((PLUS, "nowhere"),)),
        current("none"),
    ):
        assert math.isnan(read(relay_circuit(), measured))


# Circuits made at random ------------------------------------------------------------------------------------------


@st.composite
def cases(draw: st.DrawFn) -> tuple[Circuit, Sizes, list[tuple[Condition, Measured]], list[Fault]]:
    names = [PLUS, MINUS, *(f"p{number}" for number in range(draw(st.integers(1, 5))))]
    ends = st.sampled_from(names)
    small = st.floats(0.002, 500, allow_nan=False).map(lambda ohms: float(f"{ohms:.4g}"))
    kinds = [PartKind.WIRE, PartKind.CONTACT, PartKind.RESISTOR, PartKind.COIL, PartKind.TERMINAL, PartKind.FUSE]
    parts, ohms = [Part("battery", PartKind.SUPPLY, PLUS, MINUS)], [draw(st.floats(0.005, 0.02))]
    for number in range(draw(st.integers(1, 8))):
        first, second = draw(st.tuples(ends, ends).filter(lambda pair: pair[0] != pair[1]))
        connector = draw(st.sampled_from(["", "", "plug"]))
        parts.append(Part(f"x{number}", draw(st.sampled_from(kinds)), first, second, connector=connector))
        ohms.append(draw(small))
    keys = [part.key for part in parts if part.kind is PartKind.CONTACT]
    closed = frozenset(draw(st.lists(st.sampled_from(keys), unique=True))) if keys else frozenset()
    condition = Condition(closed, frozenset(), frozenset(draw(st.sampled_from([(), ("plug",)]))))
    known = st.sampled_from(list(dict.fromkeys(end for part in parts for end in (part.first, part.second))))
    pair = st.tuples(known, known).filter(lambda two: two[0] != two[1])
    measured = [
        (condition, Measured("voltage", (draw(pair),))),
        (condition, Measured("resistance", (draw(pair),))),
        (condition, Measured("current", through=draw(st.sampled_from(parts)).key)),
    ]
    faults = [
        Fault("cause", draw(st.sampled_from(parts[1:])).key, kind, np.array([draw(small)]))
        for kind in draw(st.lists(st.sampled_from(list(FaultKind)), max_size=3))
    ]
    volts = np.array([[12.6, *[0.0] * (len(ohms) - 1)]])
    sizes = Sizes(np.array([ohms]), volts, np.full((1, len(ohms)), NONE))
    return Circuit(tuple(parts)), sizes, measured, faults


def assert_as_ngspice(
    made: Circuit, sizes: Sizes, tests: list[tuple[Condition, Measured]], faults: list[Fault], sample: int = 0
) -> int:
    """Within 1 mV, 1 mA or 1 mohm, or 0.1 %; the number of readings compared."""
    ours = readings(made, sizes, tests, faults)[:, :, sample]
    ohms, volts, cold = (list(map(float, table[sample])) for table in (sizes.ohms, sizes.volts, sizes.cold))
    places = [(row, column) for row in range(len(tests)) for column in range(len(faults) + 1)]
    places = [place for place in places if not math.isnan(ours[place])]
    theirs = spice_readings(
        [
            Case(made, ohms, volts, *tests[row], faults[column - 1] if column else None, sample, cold)
            for row, column in places
        ]
    )
    for place, witness in zip(places, theirs, strict=True):
        if math.isinf(ours[place]):
            assert witness > 40e6, (tests[place[0]], place)
        else:
            assert ours[place] == pytest.approx(witness, rel=1e-3, abs=1e-3), (tests[place[0]], place)
    return len(places)


@settings(max_examples=examples(25), deadline=None)
@given(cases())
def test_circuits_made_at_random_read_as_in_ngspice(
    made: tuple[Circuit, Sizes, list[tuple[Condition, Measured]], list[Fault]],
) -> None:
    assert assert_as_ngspice(*made) > 0


def test_relays_and_fuses_read_as_in_ngspice() -> None:
    kinds = [(part, kind) for part in ("coil", "contact", "fuse", "horn", "button") for kind in FaultKind]
    faults = [Fault("cause", part, kind, np.array([0.3])) for part, kind in kinds]
    tests = [
        (PRESSED, HORN_VOLTS),
        (Condition(), HORN_VOLTS),
        (PRESSED, current("fuse")),
        (PRESSED, current("battery")),
    ]
    assert assert_as_ngspice(*relay_circuit(), tests, faults) == 4 * 46


@settings(max_examples=examples(100), deadline=None)
@given(cases())
def test_no_circuit_raises_and_currents_add_up(
    made: tuple[Circuit, Sizes, list[tuple[Condition, Measured]], list[Fault]],
) -> None:
    parts, sizes, tests, faults = made
    readings(parts, sizes, tests, faults)
    solution = solution_of(parts, sizes, tests[0][0], faults)
    flows = np.stack([solution.current(branch) for branch in range(len(solution.ends))], axis=-1)
    assert np.abs(flows @ solution.ends).max() < 1e-6
