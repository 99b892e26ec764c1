"""The circuit of a procedure as one of its steps finds it: symbols of IEC 60617 by schemdraw, as SVG.

Contacts that the step commands are closed, connectors that it unplugs are apart, where current flows the ink is heavy,
the component worked on is framed, and the leads of the meter lie where they are put, told by word and line as well as
by colour. Nothing in it needs a style sheet: colours are attributes, the ink is the page's.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Final, Literal
from xml.etree import ElementTree

import numpy as np
import schemdraw
import schemdraw.elements as elm

from shopkb.charts.circuit_layout import Group, Leaf, Tree, arranged, size
from shopkb.core.circuit.parts import LEAD, SWITCHED, PartKind, Sizes
from shopkb.core.circuit.solving import Solution, solution_of
from shopkb.core.flow.circuit_forms import Setting
from shopkb.core.flow.circuit_spec import CircuitSpec, PartSpec
from shopkb.core.flow.circuits.sizes import SizeUnknown, condition_of, measured_of, sampled_values, sized
from shopkb.core.flow.model import Flow, Step, TestKind
from shopkb.core.identifiers import is_within

COLUMN: Final = 4.0
ROW: Final = 1.5
LETTERS: Final = 20
LETTERS_A_LINE: Final = 10
"""Words stand beside their part in two lines: a narrow drawing has large letters on a phone."""
LETTER: Final = 0.34
"""Width of a letter, reckoned widely: browsers choose the face."""
THIN: Final = 2
HEAVY: Final = 4.5
FLOWS: Final = 0.02
"""Share of the largest current from which a part is drawn as carrying it."""

INK: Final = "black"
"""Becomes the ink of the page."""
RED: Final = "#D0342C"

Point = tuple[float, float]


@dataclass
class _Canvas:
    """The drawing while it is made, and where each point came to stand."""

    drawing: Any
    circuit: CircuitSpec
    step: Step
    carries: Mapping[str, bool]
    closed: Mapping[str, bool]
    places: dict[str, Point] = field(default_factory=dict)
    middles: dict[str, Point] = field(default_factory=dict)
    reach: tuple[float, float] = (0.0, 0.0)
    """How far to the left and the right words go."""


def circuit_svg(flow: Flow, step: Step) -> str:
    """The circuit as this step finds it; empty where the procedure has none, the step does not measure in it, or it
    cannot be drawn as branches side by side."""
    kept: dict[str, str] = vars(flow).setdefault("_circuit_drawings", {})
    if step.key not in kept:
        kept[step.key] = _drawn(flow, step)
    return kept[step.key]


def whole_circuit_svg(flow: Flow, closed: Iterable[str]) -> str:
    """The circuit with these parts switched on and nothing measured; empty where it cannot be drawn."""
    state = tuple(Setting(part, closed=True) for part in sorted(closed))
    return _as_found(flow, Step("whole", "", TestKind.LOOK, (), state=state), "The circuit, switched on")


def _drawn(flow: Flow, step: Step) -> str:
    return "" if measured_of(step) is None else _as_found(flow, step, circuit_words(flow, step))


def _as_found(flow: Flow, step: Step, words: str) -> str:
    if flow.circuit is None:
        return ""
    tree = arranged(flow.circuit.parts)
    if tree is None:
        return ""
    try:
        circuit, sizes = sized(flow.circuit, sampled_values(flow, {}, 2))
    except SizeUnknown:
        return ""
    usual = Sizes(sizes.ohms[:1], sizes.volts[:1], sizes.cold[:1])
    solution = solution_of(circuit, usual, condition_of(step))
    schemdraw.use("svg")
    drawing = schemdraw.Drawing(show=False, fontsize=LETTERS, color=INK, lw=THIN, font="sans-serif")
    closed = {part.key: bool(solution.conductances[0, 0, at] > 0) for at, part in enumerate(circuit.parts)}
    canvas = _Canvas(drawing, flow.circuit, step, _carrying(circuit.place, solution), closed)
    columns, rows = size(tree)
    _place(canvas, tree, 0.0, 0.0, columns, float(rows))
    _ends(canvas, tree)
    _leads_laid(canvas)
    _meter(canvas)
    return _as_attributes(drawing.get_imagedata("svg").decode(), words, canvas.reach)


def circuit_words(flow: Flow, step: Step) -> str:
    """Where the leads go and what is switched, in words: ``Red on battery positive (A), black on ...``."""
    reading = step.reading
    if flow.circuit is None or reading is None:
        return ""
    name = flow.circuit.point_name
    told = [f"red on {name(one.first)}, black on {name(one.second)}" for one in reading.probes]
    if reading.through:
        told.append("clamp around " + ("the lead" if reading.through == LEAD else reading.through.replace("-", " ")))
    outputs = {part.key for part in flow.circuit.parts if part.kind is PartKind.OUTPUT}
    told += [_switched(one, is_output=one.part in outputs) for one in step.state]
    told += [
        f"{'load' if one.ohms is not None else 'lead'} from {name(one.first)} to {name(one.second)}"
        for one in step.leads
    ]
    words = "; ".join(told)
    return f"{words[:1].upper()}{words[1:]}." if words else ""


def _switched(one: Setting, *, is_output: bool) -> str:
    """``relay closed``; an output of a control unit is ``switched on``."""
    now, other = ("switched on", "switched off") if is_output else ("closed", "open")
    return f"{one.part.replace('-', ' ')} {now if one.closed else other}"


def _carrying(place: Mapping[str, int], solution: Solution) -> dict[str, bool]:
    currents = {key: abs(float(solution.current(at)[0, 0])) for key, at in place.items() if key != "battery"}
    most = max(currents.values(), default=0.0)
    return {key: most > 1e-3 and current > FLOWS * most for key, current in currents.items()}


# Parts -------------------------------------------------------------------------------------------------------------


def _place(canvas: _Canvas, tree: Tree, left: float, top: float, columns: int, rows: float) -> None:
    middle = (left + columns / 2) * COLUMN
    canvas.places[tree.first] = (middle, -top * ROW)
    canvas.places[tree.second] = (middle, -(top + rows) * ROW)
    if isinstance(tree, Leaf):
        _part(canvas, tree, middle, top, rows)
        return
    if tree.series:
        own = [size(child) for child in tree.children]
        more = (rows - sum(height for _, height in own)) / len(own)
        for child, (width, height) in zip(tree.children, own, strict=True):
            _place(canvas, child, left + (columns - width) / 2, top, width, height + more)
            top += height + more
        return
    _side_by_side(canvas, tree, left, top, rows, middle)


def _side_by_side(canvas: _Canvas, tree: Group, left: float, top: float, rows: float, middle: float) -> None:
    centres = [middle]
    for child in tree.children:
        width, _ = size(child)
        centres.append((left + width / 2) * COLUMN)
        _place(canvas, child, left, top, width, rows)
        left += width
    for level, point in ((top, tree.first), (top + rows, tree.second)):
        canvas.places[point] = (middle, -level * ROW)
        ends = (min(centres), -level * ROW), (max(centres), -level * ROW)
        canvas.drawing.add(elm.Line().at(ends[0]).to(ends[1]))


def _part(canvas: _Canvas, leaf: Leaf, middle: float, top: float, rows: float) -> None:
    part = leaf.part
    start, end = (middle, -top * ROW), (middle, -(top + rows) * ROW)
    canvas.middles[part.key] = (middle, (start[1] + end[1]) / 2)
    heavy = HEAVY if canvas.carries.get(part.key) else THIN
    for element in _symbol(canvas, part, start, end):
        canvas.drawing.add(element.linewidth(heavy))
    if canvas.step.at and part.of and is_within(part.of, canvas.step.at):
        _frame(canvas, start, end)
    _text(canvas, (middle + 0.62, (start[1] + end[1]) / 2), part.key.replace("-", " "))


def _symbol(canvas: _Canvas, part: PartSpec, start: Point, end: Point) -> list[Any]:
    if not canvas.closed.get(part.key, True) and part.kind not in SWITCHED:
        return _apart(start, end)
    if part.kind in SWITCHED:
        if canvas.closed.get(part.key):
            return [elm.Line().at(start).to(end).dot(open=True).idot(open=True)]
        return [elm.Switch().at(start).to(end)]
    kinds: dict[PartKind, Any] = {
        PartKind.FUSE: elm.FuseIEC, PartKind.RESISTOR: elm.ResistorIEC, PartKind.COIL: elm.ResistorIEC,
        PartKind.LOAD: elm.ResistorIEC, PartKind.MOTOR: elm.Motor, PartKind.SUPPLY: elm.BatteryCell,
    }  # fmt: skip
    if part.kind is PartKind.LAMP:  # schemdraw draws its sources upwards
        lamp: Any = elm.Lamp2
        return [lamp().at(end).to(start)]
    ticks: list[Any] = []
    if part.kind is PartKind.TERMINAL:
        levels = [(start[1] + end[1]) / 2 + shift for shift in (0.1, -0.1)]
        ticks = [elm.Line().at((start[0] - 0.28, level)).to((start[0] + 0.28, level)) for level in levels]
    return [kinds.get(part.kind, elm.Line)().at(start).to(end), *ticks]


def _apart(start: Point, end: Point) -> list[Any]:
    """A connector that is unplugged: a gap between two ends."""
    x, length = start[0], start[1] - end[1]
    upper, lower = (x, start[1] - 0.36 * length), (x, end[1] + 0.36 * length)
    return [elm.Line().at(start).to(upper).dot(open=True), elm.Line().at(lower).to(end).idot(open=True)]


def _frame(canvas: _Canvas, start: Point, end: Point) -> None:
    left, right, top, foot = start[0] - 0.5, start[0] + 0.45, start[1] - 0.12, end[1] + 0.12
    corners = [(left, top), (right, top), (right, foot), (left, foot), (left, top)]
    for one, other in pairwise(corners):
        canvas.drawing.add(elm.Line().at(one).to(other).linestyle(":").linewidth(THIN))


def _ends(canvas: _Canvas, tree: Tree) -> None:
    x, y = canvas.places[tree.first]
    canvas.drawing.add(elm.Dot().at((x, y)))
    _text(canvas, (x + 0.3, y + 0.5), canvas.circuit.point_name(tree.first), a_line=40)
    canvas.drawing.add(elm.Ground().at(canvas.places[tree.second]))


def _text(
    canvas: _Canvas,
    at: Point,
    words: str,
    align: Literal["left", "center", "right"] = "left",
    a_line: int = LETTERS_A_LINE,
) -> None:
    lines = textwrap.wrap(words.replace("$", ""), a_line)[:3]
    canvas.drawing.add(elm.Label().at(at).label("\n".join(lines), halign=align, valign="center", fontsize=LETTERS))
    width = LETTER * max(map(len, lines), default=0)
    left = at[0] - {"left": 0.0, "center": width / 2, "right": width}[align]
    canvas.reach = min(canvas.reach[0], left), max(canvas.reach[1], left + width)


# Leads and meter -----------------------------------------------------------------------------------------------------


LANE: Final = 1.1
"""From the circuit to the first lead beside it, and from one lead to the next."""


def _on_the_right(canvas: _Canvas, points: Iterable[str]) -> bool:
    """Whether what joins these points is laid on the right of the circuit, where it crosses fewer branches."""
    columns = [place[0] for place in canvas.places.values()]
    middle = (min(columns) + max(columns)) / 2
    ends = [canvas.places[point][0] for point in points if point in canvas.places]
    return bool(ends) and min(ends) >= middle and max(ends) > middle


def _leads_laid(canvas: _Canvas) -> None:
    reading = canvas.step.reading
    for number, lead in enumerate(canvas.step.leads):
        first, second = canvas.places.get(lead.first), canvas.places.get(lead.second)
        if first is None or second is None:
            continue
        right = _on_the_right(canvas, (lead.first, lead.second))
        edge = min(place[0] for place in canvas.places.values())
        x = canvas.reach[1] + 0.6 if right else edge - LANE * (number + 1)
        _beside(canvas, first, second, x)
        words = "load" if lead.ohms is not None else "lead"
        at = (x, (first[1] + second[1]) / 2)
        if number == 0 and reading is not None and reading.through == LEAD:
            words = "clamp, A, on lead"
            canvas.drawing.add(elm.Dot(radius=0.42, open=True).at(at).linewidth(3).zorder(1))
        _text(canvas, (x + (0.6 if right else -0.6), at[1]), words, "left" if right else "right")


def _beside(canvas: _Canvas, first: Point, second: Point, x: float) -> None:
    """A lead between two points along a line of its own, a little lower than one of the meter at the same point."""
    low, side = 0.28, 0.28 if x > first[0] else -0.28
    way = [
        first, (first[0] + side, first[1] - low), (x, first[1] - low),
        (x, second[1] - low), (second[0] + side, second[1] - low), second,
    ]  # fmt: skip
    for one, other in pairwise(way):
        canvas.drawing.add(elm.Line().at(one).to(other).linestyle("--").color(INK).linewidth(3))


def _meter(canvas: _Canvas) -> None:
    reading = canvas.step.reading
    if reading is None:
        return
    if reading.through:
        if reading.through in canvas.middles:
            _clamp(canvas, canvas.middles[reading.through])
        return
    sign = "Ω" if reading.quantity == "resistance" else "V"
    right = _on_the_right(canvas, (point for one in reading.probes for point in (one.first, one.second)))
    left = min(min(place[0] for place in canvas.places.values()) - 1.7, canvas.reach[0] - 0.7)
    lane = canvas.reach[1] + 0.7 if right else left
    for number, probe in enumerate(reading.probes):
        red, black = canvas.places.get(probe.first), canvas.places.get(probe.second)
        if red is None or black is None:
            continue
        x = lane + (1.8 if right else -1.8) * number
        at = (x, (red[1] + black[1]) / 2)
        _tip(canvas, red, at, "red", probe.first, "-", RED)
        _tip(canvas, black, at, "black", probe.second, "--", INK)
        canvas.drawing.add(elm.Dot(radius=0.42, open=True).at(at).linewidth(3).zorder(1))
        _text(canvas, at, sign, "center")


def _tip(canvas: _Canvas, tip: Point, meter: Point, word: str, point: str, style: str, colour: str) -> None:
    gap = 0.42 if tip[1] >= meter[1] else -0.42
    for one, other in ((tip, (meter[0], tip[1])), ((meter[0], tip[1]), (meter[0], meter[1] + gap))):
        if np.hypot(one[0] - other[0], one[1] - other[1]) > 0.05:
            canvas.drawing.add(elm.Line().at(one).to(other).linestyle(style).color(colour).linewidth(3))
    canvas.drawing.add(elm.Dot(radius=0.13).at(tip).color(colour))
    above = 0.45 if tip[1] >= meter[1] else -0.45
    letter = next((one.letter for one in canvas.circuit.points if one.key == point), "")
    inwards: Literal["left", "right"] = "left" if meter[0] <= tip[0] else "right"
    shift = 0.15 if inwards == "left" else -0.15
    _text(canvas, (meter[0] + shift, tip[1] + above), f"{word} {letter}".strip(), inwards)


def _clamp(canvas: _Canvas, at: Point) -> None:
    canvas.drawing.add(elm.Dot(radius=0.42, open=True).at(at).linewidth(3).zorder(1))
    _text(canvas, (at[0] - 0.6, at[1]), "clamp, A", "right")


# The page allows no styles inside ----------------------------------------------------------------------------------

_SVG: Final = "http://www.w3.org/2000/svg"


_COLOURS: Final = {INK: "currentColor", "white": "none"}
UNIT: Final = 36
"""Points of the drawing to one of its lengths (schemdraw: half an inch)."""


def _as_attributes(svg: str, words: str, reach: tuple[float, float]) -> str:
    """The same with presentation attributes in place of styles, scalable, without a size of its own; ``words`` is what
    a screen reader says in its place, ``reach`` how far words go to the left and the right."""
    ElementTree.register_namespace("", _SVG)
    root = ElementTree.fromstring(svg)  # noqa: S314 - our own drawing
    for element in root.iter():
        for rule in (element.attrib.pop("style", "") or "").split(";"):
            name, _, value = rule.partition(":")
            if name.strip() and value.strip() and not (name.strip() == "stroke-dasharray" and value.strip() == "-"):
                element.set(name.strip(), value.strip())
        for name in ("fill", "stroke", "color"):
            if element.get(name) in _COLOURS:
                element.set(name, _COLOURS[element.attrib[name]])
    for name in ("width", "height"):
        root.attrib.pop(name, None)
    x, y, across, down = (float(number) for number in root.attrib["viewBox"].split())
    left, right = min(x, UNIT * reach[0]) - 4, max(x + across, UNIT * reach[1]) + 4
    root.set("viewBox", f"{left:.0f} {y - 4:.0f} {right - left:.0f} {down + 8:.0f}")
    root.set("role", "img")
    root.set("aria-label", words)
    root.set("class", "circuit")
    return ElementTree.tostring(root, encoding="unicode")
