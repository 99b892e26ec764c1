"""Reading back our own renderer's SVG, and making it fit to stand inside a page."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from types import MappingProxyType
from xml.etree import ElementTree

from shopkb.charts.dot_text import lines_shown
from shopkb.charts.inks import THEMED
from shopkb.charts.lettering import set_width
from shopkb.charts.refusals import ChartUnavailable
from shopkb.charts.view import site_path

SVG = "http://www.w3.org/2000/svg"
XLINK = "http://www.w3.org/1999/xlink"
_INKS = {color.lower(): name for color, name in THEMED.items()}
FAR_NUMBER, FAR_WORDS = 66.0, 46.0  # points, less on a low card
_DRAWN = frozenset({"svg", "g", "a", "title", "text", "path", "polygon", "polyline", "ellipse"})
_DRAWN_TAGS = frozenset(f"{{{SVG}}}{name}" for name in _DRAWN)
_PLAIN = frozenset({"class", "d", "fill", "font-family", "font-size", "font-weight", "height", "id", "points"}) | {
    "rx", "ry", "cx", "cy", "stroke", "stroke-width", "text-anchor", "transform", "viewBox", "width", "x", "y"
}  # fmt: skip
"""Attributes that can only do harm by what they call, which takes a bracket or a colon."""
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
_STYLED = re.compile(r"url\(|expression|javascript:", re.IGNORECASE)

ElementTree.register_namespace("", SVG)
ElementTree.register_namespace("xlink", XLINK)


def texts(svg: bytes) -> dict[str, tuple[str, ...]]:
    """The lines of text that each node and edge of a drawing shows, by id; blank lines left out.

    Raises:
        ChartUnavailable: the drawing is not well-formed.
    """
    return {group.get("id", ""): _lines(group) for group in _groups(_root(svg))}


def ends(svg: bytes) -> dict[str, tuple[str, str]]:
    """The names of the nodes at the tail and head of each edge of a drawing, by the edge's id."""
    found = {}
    for group in _groups(_root(svg)):
        if "edge" in group.get("class", "").split():
            tail, _, head = (group.findtext(f"{{{SVG}}}title") or "").partition("->")
            found[group.get("id", "")] = (tail.partition(":")[0], head.partition(":")[0])
    return found


def full_size(svg: bytes) -> tuple[float, float]:
    """Width and height of a drawing in points.

    Raises:
        ChartUnavailable: the drawing is not well-formed or does not say.
    """
    root = _root(svg)
    try:
        width, height = (float(root.get(side, "").removesuffix("pt")) for side in ("width", "height"))
    except ValueError as error:
        raise ChartUnavailable("The chart could not be drawn.", f"no size: {error}") from error
    return width, height


def node_sizes(svg: bytes) -> dict[str, tuple[float, float]]:
    """Width and height in points of each node of a drawing, by its id."""
    sizes = {}
    for group in _groups(_root(svg)):
        if "node" in group.get("class", "").split():
            drawn = (each.get("points", "") or each.get("d", "") for each in group.iter())
            numbers = [float(number) for shape in drawn for number in _NUMBER.findall(shape)]
            across, down = numbers[::2], numbers[1::2]
            sizes[group.get("id", "")] = (max(across) - min(across), max(down) - min(down))
    return sizes


def inline_svg(svg: bytes, title: str = "", zoomed_out: Mapping[str, Sequence[str]] = MappingProxyType({})) -> str:
    """The drawing from ``<svg`` on, as one image with a name, safe to put in a page.

    It is an image to a screen reader, or a group where it holds links, since what is inside an image cannot be
    reached. Node and edge names made for the drawing give way to the words of their tooltips.

    Args:
        svg: what :func:`shopkb.charts.render.render` returned.
        title: the accessible name; by default the words of the start.
        zoomed_out: what stands on a node seen from far away, by id: a number and up to three words, of class ``far``.

    Raises:
        ChartUnavailable: it holds anything but plain shapes, text and links to this site.
    """
    root = _root(svg)
    _refuse_active(root)
    for group in _groups(root):
        _speak(group)
        if "card" in group.get("class", "").split():
            _name_inks(group)
        if shown := zoomed_out.get(group.get("id", "")):
            _say_from_afar(group, shown)
    _name(root, title)
    return ElementTree.tostring(root, encoding="unicode")


def _root(svg: bytes) -> ElementTree.Element:
    try:
        return ElementTree.fromstring(svg[max(svg.find(b"<svg"), 0) :])  # noqa: S314 - our own renderer wrote it
    except ElementTree.ParseError as error:
        raise ChartUnavailable("The chart could not be drawn.", f"not well-formed: {error}") from error


def _groups(root: ElementTree.Element) -> Iterator[ElementTree.Element]:
    for group in root.iter(f"{{{SVG}}}g"):
        if {"node", "edge"} & set(group.get("class", "").split()):
            yield group


def _lines(group: ElementTree.Element) -> tuple[str, ...]:
    return lines_shown("".join(text.itertext()) for text in group.iter(f"{{{SVG}}}text"))


def _refuse_active(root: ElementTree.Element) -> None:
    for element in root.iter():
        if element.tag not in _DRAWN_TAGS:
            raise ChartUnavailable(
                "The chart is not safe to show.", f"element {element.tag.removeprefix(f'{{{SVG}}}')}"
            )
        for key, value in element.attrib.items():
            if key not in _PLAIN or "(" in value or ":" in value:
                _refuse_attribute(key.rpartition("}")[2].lower(), value)


def _refuse_attribute(key: str, value: str) -> None:
    calls = ("(" in value or ":" in value) and key not in ("title", "href") and _STYLED.search(value)
    if key.startswith("on") or key == "style" or calls:
        raise ChartUnavailable("The chart is not safe to show.", f"attribute {key}={value}")
    if key == "href":
        try:
            site_path(value)
        except ValueError as error:
            raise ChartUnavailable("The chart is not safe to show.", str(error)) from error


def _speak(group: ElementTree.Element) -> None:
    """Put a tooltip's words into the group's title, and keep only those links that lead somewhere."""
    title = group.find(f"{{{SVG}}}title")
    for holder in list(group.iter()):
        for link in holder.findall(f"{{{SVG}}}a"):
            words = link.attrib.pop(f"{{{XLINK}}}title", "")
            link.attrib.pop("target", None)
            if title is not None and words:
                title.text = words
            if f"{{{XLINK}}}href" not in link.attrib:
                link.tag = f"{{{SVG}}}g"


def _name_inks(card: ElementTree.Element) -> None:
    """Give every part of a card the class of what its colours are used for."""
    for part in card.iter():
        colours = part.attrib.get("fill", ""), part.attrib.get("stroke", "")
        if name := _ink_class(*colours):
            part.set("class", name)


@lru_cache(maxsize=256)
def _ink_class(fill: str, line: str) -> str:
    named = (("fill", _INKS.get(fill)), ("line", _INKS.get(line)))
    return " ".join(f"{part}-{ink}" for part, ink in named if ink)


def _say_from_afar(group: ElementTree.Element, shown: Sequence[str]) -> None:
    """A plain card with large words over a card, for a style sheet to show in its place; a screen reader is spared."""
    outline = group.find(f".//{{{SVG}}}polygon")
    corners = (
        [tuple(map(float, pair.split(","))) for pair in outline.get("points", "").split()]
        if outline is not None
        else []
    )
    if not corners:
        return
    left, top = (min(corner[side] for corner in corners) for side in (0, 1))
    wide, high = (max(corner[side] for corner in corners) - least for side, least in ((0, left), (1, top)))
    over = ElementTree.SubElement(group, f"{{{SVG}}}g", {"class": "far", "aria-hidden": "true"})
    around = f"{left},{top} {left + wide},{top} {left + wide},{top + high} {left},{top + high}"
    ElementTree.SubElement(over, f"{{{SVG}}}polygon", {"points": around, "fill": "none"})
    longest = max((set_width(words, 1.0, bold=True) for words in shown[1:]), default=0.0) or 1.0
    lines = max(len(shown) - 1, 1)
    size = min(FAR_NUMBER, high / 2.4), min(FAR_WORDS, high / 2 / lines / 1.1, (wide - 24) / longest)
    base = top + size[0]
    for place, words in enumerate(shown):
        letter = size[min(place, 1)]
        base += letter * 1.1 if place else 0
        at = {"x": f"{left + 12:.1f}", "y": f"{base:.1f}", "font-size": f"{letter:.1f}", "fill": "none"}
        text = ElementTree.SubElement(over, f"{{{SVG}}}text", at if place else {**at, "class": "number"})
        text.text = words


def _name(root: ElementTree.Element, title: str) -> None:
    graph = root.find(f"{{{SVG}}}g")
    start = root.find(f".//{{{SVG}}}g[@id='start']")
    words = title or (" ".join(_lines(start)) if start is not None else "Chart")
    named = graph.find(f"{{{SVG}}}title") if graph is not None else None
    if graph is not None and named is not None:
        graph.remove(named)
    name = ElementTree.Element(f"{{{SVG}}}title", {"id": "chart-title"})
    name.text = words
    root.insert(0, name)
    has_links = root.find(f".//{{{SVG}}}a") is not None
    root.set("role", "group" if has_links else "img")
    root.set("aria-labelledby", "chart-title")
