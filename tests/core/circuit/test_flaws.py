"""Each flaw of a circuit is found where it is, and a sound circuit has none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings

from shopkb.core.circuit.flaws import FlawKind, flaws
from shopkb.core.circuit.parts import MINUS, PLUS, Circuit, Condition, Fault, Lead, Measured, Part, PartKind, Sizes
from tests.core.circuit.test_solving import HORN_VOLTS, PRESSED, cases, circuit, relay_circuit
from tests.examples import examples

TESTS = {"supply": (PRESSED, HORN_VOLTS)}


def with_part(part: Part, ohms: float = 1.0, volts: float = 0.0) -> tuple[Circuit, Sizes]:
    made, sizes = relay_circuit()
    grown = [np.append(table, [[size]], axis=1) for table, size in ((sizes.ohms, ohms), (sizes.volts, volts))]
    return Circuit((*made.parts, part)), Sizes(*grown, np.full_like(grown[0], np.nan))


def test_a_sound_circuit_has_no_flaw() -> None:
    assert flaws(*relay_circuit(), TESTS) == ()


@pytest.mark.parametrize(
    ("part", "ohms", "volts", "kind", "words"),
    [
        (
            Part("lamp", PartKind.LAMP, "feed", "nowhere"),
            3,
            0,
            FlawKind.UNJOINED,
            "lamp is joined to nothing at nowhere",
        ),
        (Part("lamp", PartKind.LAMP, "left", "right"), 3, 0, FlawKind.UNJOINED, "No way leads from lamp to the supply"),
        (Part("loop", PartKind.WIRE, "feed", "feed"), 1, 0, FlawKind.UNJOINED, "loop begins and ends at feed"),
        (Part("wire", PartKind.WIRE, PLUS, MINUS), 0.002, 0, FlawKind.SHORTED, "flow from battery"),
        (Part("second", PartKind.SUPPLY, PLUS, MINUS), 0.01, 5, FlawKind.CONFLICT, "from another supply"),
        (Part("third", PartKind.CONTACT, "feed", PLUS, coil="spool"), 1, 0, FlawKind.NO_PART, "There is no part spool"),
        (Part("third", PartKind.WIRE, "feed", PLUS, coil="coil"), 1, 0, FlawKind.NO_PART, "third is no contact"),
    ],
)
def test_parts_that_are_joined_wrongly(part: Part, ohms: float, volts: float, kind: FlawKind, words: str) -> None:
    found = flaws(*with_part(part, ohms, volts), TESTS)
    assert kind in {flaw.kind for flaw in found}
    assert any(words in flaw.message and flaw.hint.endswith(".") for flaw in found)


@pytest.mark.parametrize(
    ("condition", "measured", "kind", "words"),
    [
        (Condition(closed=frozenset({"knob"})), None, FlawKind.NO_PART, "no part knob"),
        (Condition(closed=frozenset({"horn"})), None, FlawKind.NO_PART, "horn is nothing that can be switched"),
        (Condition(leads=(Lead(PLUS, "moon", 1),)), None, FlawKind.NO_POINT, "no point moon"),
        (Condition(), Measured("voltage", (("moon", MINUS),)), FlawKind.NO_POINT, "no point moon"),
        (Condition(), Measured("current", through="knob"), FlawKind.NO_PART, "no part knob"),
        (Condition(), Measured("current", through="lead"), FlawKind.NO_PART, "the step lays none"),
        (Condition(leads=(Lead("feed", MINUS, 1e-3),)), None, FlawKind.SHORTED, ""),
    ],
)
def test_steps_that_ask_for_what_is_not_there(
    condition: Condition, measured: Measured | None, kind: FlawKind, words: str
) -> None:
    made, sizes = relay_circuit()
    if kind is FlawKind.SHORTED:  # the fuse would end it
        made = Circuit(tuple(replace(part, rating=float("inf")) for part in made.parts))
        sizes.ohms[0, 3:5] = 1e-4
        condition = replace(condition, closed=frozenset({"contact"}))
    (flaw,) = flaws(made, sizes, {"supply": (condition, measured)})
    assert (flaw.kind, words in flaw.message) == (kind, True)


def test_more_than_sixty_parts_are_too_many() -> None:
    rows = [("battery", PartKind.SUPPLY, PLUS, MINUS, 0.01, 12.6)]
    rows += [(f"r{number}", PartKind.RESISTOR, PLUS, MINUS, 100.0, 0.0) for number in range(60)]
    (flaw,) = flaws(*circuit(*rows), {})
    assert (flaw.kind, flaw.message) == (FlawKind.TOO_MANY, "The circuit has 61 parts, at most 60 are possible")


@settings(max_examples=examples(50), deadline=None)
@given(cases())
def test_whatever_the_circuit_nothing_is_raised(
    made: tuple[Circuit, Sizes, list[tuple[Condition, Measured]], list[Fault]],
) -> None:
    parts, sizes, tests, _ = made
    for flaw in flaws(parts, sizes, {str(number): test for number, test in enumerate(tests)}):
        assert flaw.message and flaw.hint
