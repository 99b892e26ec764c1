"""HTML-like labels of Graphviz, built as elements, so that no typed text is ever read as one of them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

from shopkb.charts.lettering import printable

Element = ElementTree.Element
_CODE = re.compile(r"\\(?=[A-Za-z])")


class HtmlLabel(str):
    """A label between angle brackets, well-formed: made by :func:`html_label` alone."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Line:
    """One line of text in a cell. ``size`` in points; ``face`` is empty for the chart's own."""

    text: str
    size: float
    color: str
    bold: bool = False
    face: str = ""

    @property
    def shown(self) -> str:
        """The text as it is drawn. Graphviz replaces codes such as ``\\N`` even here and knows no way to write them, so
        that a character of no width parts them."""
        return _CODE.sub("\\\\\N{WORD JOINER}", printable(self.text))


def html_label(element: Element) -> HtmlLabel:
    """The label that holds one table."""
    return HtmlLabel(f"<{ElementTree.tostring(element, encoding='unicode', short_empty_elements=False)}>")


def table(*rows: Iterable[Element], **attributes: object) -> Element:
    """A table of rows of cells, without borders, space or padding unless they are given."""
    made = _element("TABLE", {"border": 0, "cellborder": 0, "cellspacing": 0, "cellpadding": 0, **attributes})
    for row in rows:
        line = ElementTree.SubElement(made, "TR")
        line.extend(row)
    return made


def cell(content: Element | Sequence[Line] | None = None, **attributes: object) -> Element:
    """A cell that holds a table, lines of text or nothing. Lines stand to the left."""
    if not isinstance(content, Element) and content:
        attributes = {"align": "left", "balign": "left", **attributes}
    made = _element("TD", attributes)
    if isinstance(content, Element):
        made.append(content)
        return made
    for place, line in enumerate(content or ()):
        if place:
            ElementTree.SubElement(made, "BR", {"ALIGN": str(attributes["balign"]).upper()})
        made.append(_font(line))
    return made


def _font(line: Line) -> Element:
    attributes = {"point-size": f"{line.size:g}", "color": line.color, **({"face": line.face} if line.face else {})}
    made = _element("FONT", attributes)
    inner = ElementTree.SubElement(made, "B") if line.bold else made
    inner.text = line.shown
    return made


def _element(tag: str, attributes: Mapping[str, object]) -> Element:
    written = {key.upper().replace("_", "-"): printable(str(value)) for key, value in attributes.items()}
    return Element(tag, written)
