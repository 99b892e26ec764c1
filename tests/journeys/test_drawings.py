"""The circuit drawings, measured where they are drawn: every letter on its wire, every word clear of all else.

Witness: the browser's own boxes and distances (SVG geometry), not the numbers in the files.
"""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Browser

from tests.test_shelf_pictures import NAMED, PICTURES

pytestmark = [pytest.mark.journey, pytest.mark.looks]

PHONE, LEAST_LETTERS = 358.0, 11.0
"""Width of a drawing on a page 390 px wide, and CSS pixels that its letters have at least there."""
ON_WIRE = 4.0

MEASURE = """
() => {
  const box = (part) => { const b = part.getBBox(); return [b.x, b.y, b.x + b.width, b.y + b.height]; };
  const svg = document.querySelector("svg");
  const texts = [...svg.querySelectorAll("text")].flatMap((text) => {
    const spans = text.querySelectorAll("tspan");
    const size = parseFloat(getComputedStyle(text).fontSize);
    if (!spans.length) return [{words: text.textContent.trim(), box: box(text), size, legend: false}];
    return [{words: [...spans].map((span) => span.textContent.trim()).join(" "), box: box(text), size, legend: true}];
  });
  const circles = [...svg.querySelectorAll("circle")].map((one) => ({
    x: +one.getAttribute("cx"), y: +one.getAttribute("cy"), r: +one.getAttribute("r"),
    filled: getComputedStyle(one).fill === "rgb(22, 32, 43)",
  }));
  const lines = [...svg.querySelectorAll("polyline, path, rect, circle")].slice(1).map((one) => {
    const length = one.getTotalLength(), points = [];
    for (let at = 0; at <= length; at += 2) { const p = one.getPointAtLength(at); points.push([p.x, p.y]); }
    const style = getComputedStyle(one);
    return {points, stroke: style.stroke === "none" ? 0 : parseFloat(style.strokeWidth), tag: one.tagName,
            r: one.tagName === "circle" ? +one.getAttribute("r") : 0};
  });
  return {texts, circles, lines, card: [svg.viewBox.baseVal.width, svg.viewBox.baseVal.height]};
}
"""


@pytest.fixture(scope="module")
def drawn(browser: Browser) -> dict[str, dict[str, Any]]:
    """What the browser measures of each drawing."""
    context = browser.new_context()
    page = context.new_page()
    found = {}
    for name in NAMED:
        page.set_content((PICTURES / name).read_text(encoding="utf-8"))
        found[name] = page.evaluate(MEASURE)
    context.close()
    return found


def apart(one: list[float], other: list[float], by: float = 0.0) -> bool:
    return one[2] + by <= other[0] or other[2] + by <= one[0] or one[3] + by <= other[1] or other[3] + by <= one[1]


@pytest.mark.parametrize("name", NAMED)
def test_words_stand_inside_the_card_apart_from_each_other_and_large_enough(name: str, drawn: dict[str, Any]) -> None:
    found = drawn[name]
    width, height = found["card"]
    for text in found["texts"]:
        left, top, right, bottom = text["box"]
        assert left >= 0 and top >= 0 and right <= width and bottom <= height, text["words"]
        assert text["size"] * min(1.0, PHONE / width) >= LEAST_LETTERS, text["words"]
    texts = found["texts"]
    touching = [
        (one["words"], other["words"])
        for place, one in enumerate(texts)
        for other in texts[:place]
        if not apart(shrunk(one), shrunk(other))
    ]
    assert touching == []


def shrunk(text: dict[str, Any]) -> list[float]:
    """The letters themselves: a line's box has room above and below them."""
    left, top, right, bottom = text["box"]
    spare = (bottom - top) * 0.22
    return [left, top + spare, right, bottom - spare]


@pytest.mark.parametrize("name", NAMED)
def test_no_line_runs_through_a_word(name: str, drawn: dict[str, Any]) -> None:
    """A sign that bears its letter, as a motor does, lies around it. A letter on its disc covers the leader's end."""
    found = drawn[name]
    crossed = []
    on_discs = [id(text) for _, text, _ in discs_of(found)]
    for text in [one for one in found["texts"] if id(one) not in on_discs]:
        left, top, right, bottom = shrunk(text)
        for line in found["lines"]:
            if line["stroke"] and any(left < x < right and top < y < bottom for x, y in line["points"]):
                crossed.append(text["words"])
    assert crossed == []


@pytest.mark.parametrize("name", NAMED)
def test_every_letter_of_the_legend_marks_a_point_on_a_wire(name: str, drawn: dict[str, Any]) -> None:
    """One disc with the letter, a leader from it to a ring, and the ring on a line of the circuit."""
    found = drawn[name]
    letters = [text["words"].split()[0] for text in found["texts"] if text["legend"]]
    assert letters == sorted(set(letters)) and letters
    discs = discs_of(found)
    assert sorted({letter for letter, _, _ in discs}) == letters
    rings = [one for one in found["circles"] if not one["filled"] and one["r"] < 8]
    circuit = [line for line in found["lines"] if line["stroke"] >= 2 and line["tag"] != "circle"]
    for letter, _, disc in discs:
        leaders = [
            line["points"]
            for line in found["lines"]
            if line["tag"] == "path" and 0 < line["stroke"] < 2 and near(line["points"][-1], disc, disc["r"])
        ]
        ends = [ring for ring in rings for points in leaders if near(points[0], ring, ring["r"])]
        assert ends, f"{letter} marks nothing"
        assert all(any(near(p, ring, ON_WIRE) for line in circuit for p in line["points"]) for ring in ends), letter
    assert len(rings) >= len(discs)


def discs_of(found: dict[str, Any]) -> list[tuple[str, dict[str, Any], dict[str, float]]]:
    """Letters on filled discs: the letter, its text, the disc. A letter may stand at both ends of one part."""
    return [
        (text["words"], text, circle)
        for text in found["texts"]
        for circle in found["circles"]
        if not text["legend"] and circle["filled"] and circle["r"] > 10 and inside(text["box"], circle)
    ]


def inside(box: list[float], circle: dict[str, float]) -> bool:
    return abs((box[0] + box[2]) / 2 - circle["x"]) < 4 and abs((box[1] + box[3]) / 2 - circle["y"]) < 6


def near(point: list[float], circle: dict[str, float], by: float) -> bool:
    return ((point[0] - circle["x"]) ** 2 + (point[1] - circle["y"]) ** 2) ** 0.5 <= by + 1
