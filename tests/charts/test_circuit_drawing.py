"""The drawing of a circuit at a step: each part once, leads by word and line, no styles inside, nothing unescaped."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from shopkb.charts.circuit_drawing import circuit_svg, circuit_words
from shopkb.charts.circuit_layout import Leaf, Tree, arranged, size
from shopkb.core.circuit.parts import MINUS, PLUS, PartKind
from shopkb.core.flow.circuit_forms import parse_join
from shopkb.core.flow.circuit_spec import PartSpec
from shopkb.core.readings.expressions import parse_expression
from tests.core.flow.circuits.test_predicted import HORN, SHIPPED, flow_in


def wire(key: str, first: str, second: str) -> PartSpec:
    return PartSpec(key, PartKind.WIRE, first, second)


def leaves(tree: Tree) -> Iterator[Leaf]:
    if isinstance(tree, Leaf):
        yield tree
        return
    for child in tree.children:
        yield from leaves(child)


def test_parts_in_a_row_and_side_by_side_stand_from_supply_to_earth() -> None:
    tree = arranged([wire("c", "b", MINUS), wire("a", PLUS, "b"), wire("b1", "b", PLUS), wire("open", "b", "nowhere")])
    assert tree is not None
    assert (tree.first, tree.second, size(tree)) == (PLUS, MINUS, (2, 2))
    assert [(leaf.part.key, leaf.first, leaf.second) for leaf in leaves(tree)] == [
        ("a", PLUS, "b"),
        ("b1", PLUS, "b"),
        ("c", "b", MINUS),
    ]


def test_a_bridge_is_not_series_parallel() -> None:
    bridge = [("a", PLUS, "l"), ("b", PLUS, "r"), ("c", "l", "r"), ("d", "l", MINUS), ("e", "r", MINUS)]
    assert arranged([wire(*row) for row in bridge]) is None
    assert arranged([]) is None


@pytest.mark.parametrize("file", SHIPPED, ids=lambda file: file.stem)
def test_every_measuring_step_of_the_shelf_is_drawn_with_every_part_once(file: object) -> None:
    flow = flow_in(file)  # type: ignore[arg-type]
    assert flow.circuit is not None
    tree = arranged(flow.circuit.parts)
    assert tree is not None
    assert sorted(leaf.part.key for leaf in leaves(tree)) == sorted(part.key for part in flow.circuit.parts)
    drawn = [step for step in flow.steps if circuit_svg(flow, step)]
    assert {step.key for step in drawn} >= {
        step.key for step in flow.steps if step.reading and (step.reading.probes or step.reading.through)
    }


@pytest.mark.parametrize("file", SHIPPED, ids=lambda file: file.stem)
def test_no_word_is_cut_or_small_on_a_phone(file: object) -> None:
    flow = flow_in(file)  # type: ignore[arg-type]
    for step in flow.steps:
        svg = circuit_svg(flow, step)
        if not svg:
            continue
        root = ElementTree.fromstring(svg)
        x, _, across, _ = (float(number) for number in root.attrib["viewBox"].split())
        for text in root.iter("{http://www.w3.org/2000/svg}text"):
            size = float(text.attrib["font-size"])
            assert size * 360 / across > 10, step.key  # CSS pixels on a phone of 390
            for line in text.iter("{http://www.w3.org/2000/svg}tspan"):
                at, width = float(line.attrib["x"]), 0.6 * size * len(line.text or "")
                start = {"start": at, "middle": at - width / 2, "end": at - width}[text.attrib["text-anchor"]]
                assert start >= x, (step.key, line.text)
                assert start + width <= x + across, (step.key, line.text)


def test_a_lamp_stands_between_its_ends() -> None:
    lamp = PartSpec("bulb", PartKind.LAMP, "feed", MINUS, amps=parse_expression("2 A", "2 A"))
    feed = PartSpec("feed-wire", PartKind.WIRE, PLUS, "feed", ohms=parse_expression("10 mohm", "10 mohm"))
    assert HORN.circuit is not None
    reading = replace(HORN.step_by_key["supply"].reading, probes=(parse_join("feed to battery-"),), through="")
    step = replace(HORN.step_by_key["supply"], reading=reading, state=(), leads=())
    flow = replace(HORN, circuit=replace(HORN.circuit, parts=(feed, lamp)), steps=(step,), causes=())
    root = ElementTree.fromstring(circuit_svg(flow, step))
    words = root.iter("{http://www.w3.org/2000/svg}text")
    word = next(float(one.attrib["y"]) for one in words if "".join(one.itertext()).strip() == "bulb")
    circles = [one.attrib for one in root.iter("{http://www.w3.org/2000/svg}circle") if float(one.attrib["r"]) > 10]
    lamp_at, meter = ((float(one["cx"]), float(one["cy"])) for one in circles)
    assert meter[0] < lamp_at[0] == 72
    assert lamp_at[1] == pytest.approx(word + 20, abs=10)  # a line below where the words begin


def test_a_drawing_has_no_styles_and_says_in_words_where_the_leads_go() -> None:
    step = HORN.step_by_key["pins"]
    svg = circuit_svg(HORN, step)
    root = ElementTree.fromstring(svg)
    assert all("style" not in element.attrib for element in root.iter())
    assert root.attrib["aria-label"] == circuit_words(HORN, step)
    assert circuit_words(HORN, step) == (
        "Red on horn connector, feed pin (B), black on horn in; red on horn out, black on earth; button closed."
    )
    texts = "".join(root.itertext())
    assert "black" not in {element.attrib.get(name) for element in root.iter() for name in ("fill", "stroke")}
    for words in ("horn fuse", "red B", "black", "V", "battery positive (A)"):
        assert words in texts
    dashes = {element.attrib.get("stroke-dasharray") for element in root.iter()}
    assert dashes - {None}  # the black lead is told by its line too
    assert circuit_svg(HORN, step) is svg


FAN = next(flow_in(file) for file in SHIPPED if file.stem == "overheats-fan-silent")


def test_a_control_unit_switches_on_what_a_contact_closes() -> None:
    step = FAN.step_by_key["contacts-drop"]
    assert circuit_words(FAN, step).endswith("black on relay terminal 87 (G); high output switched on.")


def test_names_cannot_break_out_of_the_drawing() -> None:
    assert HORN.circuit is not None
    hostile = replace(HORN.circuit.points[0], name="</text><script>$x^2$</script>", letter="<b>")
    circuit = replace(HORN.circuit, points=(hostile, *HORN.circuit.points[1:]))
    svg = circuit_svg(replace(HORN, circuit=circuit), HORN.step_by_key["supply"])
    assert svg
    assert "<script" not in svg
    assert "<b>" not in svg


def test_what_cannot_be_drawn_is_left_out() -> None:
    pins = HORN.step_by_key["pins"]
    assert circuit_svg(replace(HORN, circuit=None), pins) == ""
    assert circuit_words(replace(HORN, circuit=None), pins) == ""
    assert circuit_svg(HORN, replace(pins, key="other", reading=None)) == ""
