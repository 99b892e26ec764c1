"""A chart as nodes and edges, and its DOT text through the graphviz package.

Texts are escaped by our own rule, seen to hold for every printable text: ``&`` becomes ``&amp;`` first (Graphviz
decodes entities), then a backslash is doubled, a quote escaped, and lines are joined by ``\\n``. In a record,
``{ } | < >`` are escaped besides. Nothing typed is ever taken for an HTML-like label (:mod:`.html_label`).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from graphviz import Digraph, nohtml

from shopkb.charts.html_label import HtmlLabel
from shopkb.charts.lettering import printable

Attributes = Mapping[str, str]

OFF_BRANCH = "\N{NO-BREAK SPACE}\N{NO-BREAK SPACE}"
_RECORD_SIGNS = re.compile(r"[{}|<>]")


@dataclass(frozen=True, slots=True)
class Node:
    """A node: its name, its attributes (values escaped), the lines it shows, and what is shown of it from far away."""

    name: str
    attributes: Attributes
    lines: Sequence[str] = ()
    zoomed_out: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Edge:
    """An edge between two nodes by their names; otherwise as :class:`Node`, its name being its id."""

    name: str
    tail: str
    head: str
    attributes: Attributes
    lines: Sequence[str] = ()

    @property
    def is_unseen(self) -> bool:
        """Whether it only keeps its nodes apart."""
        return self.attributes.get("style") == "invis"


@dataclass(frozen=True)
class Chart:
    """A whole graph. ``settings`` holds the attributes of the graph, of all nodes and of all edges."""

    name: str
    nodes: tuple[Node, ...]
    edges: tuple[Edge, ...]
    settings: tuple[Attributes, Attributes, Attributes] = ({}, {}, {})

    @cached_property
    def source(self) -> str:
        """The graph as DOT text."""
        graph, node, edge = ({key: nohtml(value) for key, value in each.items()} for each in self.settings)
        drawn = Digraph(nohtml(escaped(self.name)), graph_attr=graph, node_attr=node, edge_attr=edge)
        for each in self.nodes:
            drawn.node(nohtml(escaped(each.name)), **_plain(each))
        for one in self.edges:
            drawn.edge(nohtml(escaped(one.tail)), nohtml(escaped(one.head)), **_plain(one))
        return str(drawn.source)

    @cached_property
    def digest(self) -> str:
        """SHA-256 of all that the drawing shows. Equal charts have equal digests; no DOT text is written for it."""
        return hashlib.sha256(repr((self.name, self.nodes, self.edges, self.settings)).encode()).hexdigest()

    @property
    def zoomed_out(self) -> dict[str, Sequence[str]]:
        """What is shown of a node from far away, by its id: a number, then up to three words."""
        return {printable(each.name): each.zoomed_out for each in self.nodes if each.zoomed_out}

    @cached_property
    def labels(self) -> dict[str, tuple[str, ...]]:
        """The lines that every node and edge shows, by id, white space collapsed and empty lines left out."""
        parts: tuple[Node | Edge, ...] = (*self.nodes, *(each for each in self.edges if not each.is_unseen))
        return {printable(each.name): lines_shown(map(printable, each.lines)) for each in parts}


def _plain(part: Node | Edge) -> dict[str, str]:
    """The attributes with their id. None is HTML-like but for a label made as one."""
    named = {"id": escaped(part.name), **part.attributes}
    return {key: value if isinstance(value, HtmlLabel) else nohtml(value) for key, value in named.items()}


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


def lines_shown(lines: Iterable[str]) -> tuple[str, ...]:
    """Lines with white space collapsed, empty ones left out: how a drawing and its source are compared."""
    return tuple(filter(None, (" ".join(line.split()) for line in lines)))
