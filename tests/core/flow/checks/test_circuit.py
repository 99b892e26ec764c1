"""Checks on the circuit of a procedure: what each finds, word for word, and a sound one in which it finds nothing."""

from __future__ import annotations

import pytest

from shopkb.core.flow.checks.circuit import CIRCUIT
from shopkb.core.flow.circuits.predicted import NOTHING, predictions
from shopkb.core.flow.file.reader import read_flow, with_lines
from tests.core.flow.builders import DATA

SOUND = (DATA / "valid" / "horn-circuit.yaml").read_text(encoding="utf-8")


def told(text: str, identity: str = "") -> list[str]:
    """What the checks of the circuit find in a file; of one check where it is named."""
    read = read_flow(text)
    assert read.flow is not None, [finding.text() for finding in read.findings]
    found = [finding for check in CIRCUIT for finding in check.findings(read.flow, None)]
    return [one.text() for one in with_lines(found, read.lines) if identity in ("", one.id)]


def changed(*pairs: tuple[str, str]) -> str:
    text = SOUND
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    return text


def test_a_sound_circuit_has_nothing_to_be_found() -> None:
    assert told(SOUND) == []


line_OF_HORN = "{kind: load, from: horn-in, to: horn-out, amps: 6 A, at: 13 V, within: 20 %, cold: 0.8 ohm}"

FOUND: dict[str, tuple[str, str, list[str]]] = {
    "no size": (
        "circuit-size",
        changed((line_OF_HORN, "{kind: load, from: horn-in, to: horn-out}")),
        [
            "line 20: error circuit-size at circuit.parts.horn: The load horn has no size. Add ohms:, of a load amps:"
            " and at:, of a wire area: and length:."
        ],
    ),
    "value without limits": (
        "circuit-size",
        changed(("unit: mm2, from: 1 mm2, to: 2.5 mm2", "unit: mm2")),
        [
            "line 18: error circuit-size at circuit.parts.feed-wire.area: feed_wire cannot be worked out: feed_wire has"
            " no value yet. Give the value limits, from: and to:, or write a number with its unit."
        ],
    ),
    "joined to nothing": (
        "circuit-wiring",
        changed(("from: earth, to: battery-, ohms", "from: strap, to: battery-, ohms")),
        [
            "line 22: error circuit-wiring at circuit.parts.earth-strap: earth-strap is joined to nothing at strap."
            " Join another part there, or correct the name of the point."
        ],
    ),
    "short across the supply": (
        "circuit-wiring",
        changed(("  parts:\n", "  parts:\n    bar: {kind: wire, from: battery+, to: battery-, ohms: 1 mohm}\n")),
        [
            "line 9: error circuit-wiring at circuit.supply: 1400 A flow from battery: nothing but 1.0 mohm"
            " takes them. Nothing that takes current lies between the two ends: correct where its parts are joined."
        ],
    ),
    "supplies in conflict": (
        "circuit-wiring",
        changed(
            ("from: unit-supply, to: battery-, ohms: 1 kohm", "from: unit-supply, to: battery+, ohms: 1 mohm"),
            ("volts: 5 V, ohms: 10 ohm", "volts: 5 V, ohms: 10 mohm"),
        ),
        [
            "line 24: error circuit-wiring at circuit.parts.unit-five: 400 A flow into unit-five from another supply."
            " Two supplies of different voltage are joined: put what lies between them there, or leave one out."
        ],
    ),
    "point not there": (
        "circuit-name",
        changed(("probes: [feed to battery-]", "probes: [fed to battery-]")),
        [
            "line 43: error circuit-name at steps.supply.reading.probes: The circuit has no point fed. Its points are"
            " battery+, battery-, coil-in, fused, relay-out, feed, horn-in, horn-out, earth, unit-supply."
        ],
    ),
    "switch not there": (
        "circuit-name",
        changed(
            (
                "    state: [button closed]\n    reading: {quantity: voltage, unit: V, between",
                "    state: [knob closed]\n    reading: {quantity: voltage, unit: V, between",
            )
        ),
        [
            "line 42: error circuit-name at steps.supply.state: The circuit has no part knob. Its parts are battery,"
            " button, coil, horn-fuse, contact, feed-wire, feed-pin, horn, earth-pin, earth-strap, unit, unit-five."
        ],
    ),
    "fault on a part not there": (
        "circuit-name",
        changed(("fault: {parts: [contact]", "fault: {parts: [contacts]")),
        [
            "line 31: error circuit-name at causes.relay-contacts.fault.parts: The circuit has no part 'contacts'. Did"
            " you mean 'contact'? Its parts are button, coil, horn-fuse, contact, feed-wire, feed-pin, horn, earth-pin,"
            " earth-strap, unit and unit-five."
        ],
    ),
    "coil not there": (
        "circuit-name",
        changed(("coil: coil,", "coil: spool,")),
        [
            "line 17: error circuit-name at circuit.parts.contact.coil: There is no part spool, so no coil can close"
            " it. Write the key of its coil, one of coil."
        ],
    ),
    "limit inside what sound ones read": (
        "circuit-limit-cuts-sound",
        changed(('band: ">= 10 V", go: pins', 'band: ">= 12.2 V", go: pins'), ("1 V .. 10 V", "1 V .. 12.2 V")),
        [
            "line 46: warning circuit-limit-cuts-sound at steps.supply.outcomes.low.band: A sound circuit reads 11.7"
            " to 12.8 V here (in that band with feed_wire 1.28 mm²), and 42 % of sound ones lie in '1 V .. 12.2 V',"
            " 'Supply low'. Right would be a limit below 11 V for the widest sound circuit, or one that follows the"
            " current, such as a computed resistance-drop; relay: burnt contacts reads 1.2 to 9.8 V."
        ],
    ),
}


@pytest.mark.parametrize("name", FOUND)
def test_what_is_wrong_is_told_with_its_line_and_what_would_be_right(name: str) -> None:
    identity, text, wanted = FOUND[name]
    assert told(text, identity) == wanted


def test_a_reading_that_convicts_another_part_is_told() -> None:
    loose = changed(
        ("is: series 0.5 ohm .. 20 ohm", "is: series 0.5 ohm .. open"), ("is: to-earth", "is: series 1 ohm .. 5 ohm")
    )
    (found,) = told(loose, "circuit-convicts")
    assert "With horn: touches earth this reads" in found
    assert "and convict relay: burnt contacts" in found


def test_a_reading_that_clears_a_bad_part_is_told() -> None:
    found = told(changed(('"< 0.2 V"', '"< 5 V"'), ('">= 0.2 V"', '">= 5 V"')), "circuit-clears")
    assert len(found) == 1
    assert "steps.pins.outcomes.good.band: With horn: burnt terminal this reads" in found[0]


def test_an_outcome_that_no_circuit_gives_is_told() -> None:
    found = told(
        changed(('band: "1 V .. 10 V"', 'band: "1 V .. 1.1 V"'), ('">= 10 V"', '">= 1.1 V"')), "circuit-outcome-never"
    )
    assert len(found) == 1
    assert "reads '1 V .. 1.1 V' here" in found[0]


def test_two_causes_that_read_alike_everywhere_are_told() -> None:
    twin = "  strap: {component: body, mode: broken, fault: {parts: [earth-strap], is: open}}\n"
    other = "  wire: {component: body/horn, mode: broken, fault: {parts: [earth-strap], is: open}}\n"
    found = told(changed(("start: supply\n", f"{twin}{other}start: supply\n")), "circuit-alike")
    assert len(found) == 1
    assert "give the same at every step" in found[0]


def test_a_step_in_a_circuit_that_is_not_there_is_told() -> None:
    start, end = SOUND.index("circuit:\n"), SOUND.index("causes:\n")
    found = told(SOUND[:start] + SOUND[end:])
    assert sum("but the procedure has none" in one for one in found) == 11


def test_a_circuit_too_large_to_be_computed_on_a_page_is_told_and_not_computed() -> None:
    parts = "button, horn-fuse, contact, feed-wire, feed-pin, horn, earth-pin, earth-strap, coil, unit"
    many = "".join(
        f"  more-{number}: {{component: body/horn/horn, mode: fault {number}, fault: {{parts: [{parts}], is: open}}}}\n"
        for number in range(150)
    )
    text = changed(("start: supply\n", f"{many}start: supply\n"))
    (found,) = told(text, "circuit-large")
    assert "make 66396, at most 60000 are computed" in found
    flow = read_flow(text).flow
    assert flow is not None and predictions(flow) is NOTHING


def test_a_fault_in_a_circuit_without_parts_yet_is_told() -> None:
    parts = SOUND[SOUND.index("  parts:\n") : SOUND.index("causes:\n")]
    found = told(changed((parts, "")), "circuit-name")
    assert any("The circuit has no part 'horn'" in one and "It has no parts yet" in one for one in found)
