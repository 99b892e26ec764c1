"""HTML-like labels of Graphviz, built part by part, so that no typed text is ever read as one of their elements."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from xml.sax.saxutils import escape, quoteattr

from shopkb.charts.lettering import printable

_CODE = re.compile(r"\\(?=[A-Za-z\\])")


class Element(str):
    """A well-formed element: made by :func:`table` and :func:`cell` alone, from escaped texts."""

    __slots__ = ()


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
        """The text as it is drawn. Graphviz replaces codes such as ``\\N`` even here, draws two backslashes
        as one, and knows no way to write them, so that a character of no width parts them."""
        return _CODE.sub("\\\\\N{WORD JOINER}", printable(self.text))


def html_label(element: Element) -> HtmlLabel:
    """The label that holds one table."""
    return HtmlLabel(f"<{element}>")


def table(*rows: Iterable[Element], **attributes: object) -> Element:
    """A table of rows of cells, without borders, space or padding unless they are given."""
    written = "".join(f"<TR>{''.join(row)}</TR>" for row in rows)
    return Element(f"<TABLE{_attributes(_BARE | attributes)}>{written}</TABLE>")


_BARE: dict[str, object] = {"border": 0, "cellborder": 0, "cellspacing": 0, "cellpadding": 0}


def cell(content: Element | Sequence[Line] | None = None, **attributes: object) -> Element:
    """A cell that holds a table, lines of text or nothing. Lines stand to the left."""
    if isinstance(content, Element) or not content:
        return Element(f"<TD{_attributes(attributes)}>{content or ''}</TD>")
    attributes = {"align": "left", "balign": "left", **attributes}
    turn = f'<BR ALIGN="{str(attributes["balign"]).upper()}"/>'
    return Element(f"<TD{_attributes(attributes)}>{turn.join(map(_font, content))}</TD>")


def _font(line: Line) -> str:
    face = {"face": line.face} if line.face else {}
    text = escape(line.shown)
    inner = f"<B>{text}</B>" if line.bold else text
    return f"<FONT{_attributes({'point-size': f'{line.size:g}', 'color': line.color, **face})}>{inner}</FONT>"


def _attributes(attributes: Mapping[str, object]) -> str:
    return "".join([_attribute(key, str(value)) for key, value in attributes.items()])


@lru_cache(maxsize=4096)
def _attribute(key: str, value: str) -> str:
    return f" {key.upper().replace('_', '-')}={quoteattr(printable(value))}"
