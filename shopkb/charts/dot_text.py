"""DOT statements with every text quoted by our own rule, and the reading back of what was quoted.

The rule, seen to hold for every printable text: ``&`` becomes ``&amp;`` first (Graphviz decodes entities), then a
backslash is doubled, a quote escaped, and lines are joined by ``\\n``; always inside quotes, never HTML-like. In a
record, ``{ } | < >`` are escaped besides. One statement stands on one line.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from shopkb.charts.lettering import printable

Attributes = Mapping[str, str]

OFF_BRANCH = "\N{NO-BREAK SPACE}\N{NO-BREAK SPACE}"
_RECORD_SIGNS = re.compile(r"[{}|<>]")
_QUOTED = r'"((?:[^"\\]|\\.)*)"'
_NODE = re.compile(rf"^ *{_QUOTED} \[(.*)\];$")
_EDGE = re.compile(rf"^ *{_QUOTED} -> {_QUOTED} \[(.*)\];$")
_ATTRIBUTE = re.compile(rf"(\w+)={_QUOTED}")
_ESCAPE = re.compile(r"\\(.)")


def escaped(line: str) -> str:
    """One line of a label, of printable characters, ready to stand between quotes."""
    return printable(line).replace("&", "&amp;").replace("\\", "\\\\").replace('"', '\\"')


def label(lines: Sequence[str]) -> str:
    """The text of a label of some lines, each centred."""
    return "\\n".join(map(escaped, lines))


def left_label(lines: Sequence[str]) -> str:
    """The text of a label of some lines, each set to the left and a little off the branch it stands beside."""
    return "".join(f"{OFF_BRANCH}{escaped(line)}\\l" for line in lines)


def record_label(lines: Sequence[str]) -> str:
    """The text of a record that shows the lines between two bars."""
    return "|" + "\\n".join(_RECORD_SIGNS.sub(r"\\\g<0>", escaped(line)) for line in lines) + "|"


def node_statement(name: str, attributes: Attributes) -> str:
    """``"name" [key="value", ...];`` Values are escaped already."""
    return f'  "{escaped(name)}" {_listed(attributes)};'


def edge_statement(tail: str, head: str, attributes: Attributes) -> str:
    """``"tail" -> "head" [key="value", ...];`` Values are escaped already."""
    return f'  "{escaped(tail)}" -> "{escaped(head)}" {_listed(attributes)};'


def _listed(attributes: Attributes) -> str:
    return "[" + ", ".join(f'{key}="{value}"' for key, value in attributes.items()) + "]"


def labels(dot: str) -> dict[str, tuple[str, ...]]:
    """The lines that every node and edge of a text written here should show, by id, empty lines left out."""
    found: dict[str, tuple[str, ...]] = {}
    for line in dot.splitlines():
        statement = _EDGE.match(line) or _NODE.match(line)
        attributes = dict(_ATTRIBUTE.findall(statement[statement.lastindex or 0])) if statement else {}
        if "id" in attributes:
            is_record = attributes.get("shape") == "record"
            found[_plain(attributes["id"])] = _lines(attributes.get("label", ""), is_record)
    return found


def _lines(text: str, is_record: bool) -> tuple[str, ...]:
    if is_record:
        text = text.removeprefix("|").removesuffix("|")
    return lines_shown(_plain(text).split("\n"))


def lines_shown(lines: Iterable[str]) -> tuple[str, ...]:
    """Lines with white space collapsed, empty ones left out: how a drawing and its source are compared."""
    return tuple(filter(None, (" ".join(line.split()) for line in lines)))


def _plain(text: str) -> str:
    return _ESCAPE.sub(lambda escape: "\n" if escape[1] in "nl" else escape[1], text).replace("&amp;", "&")
