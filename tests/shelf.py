"""The shop's shelf as the tests see it: fixtures/ as groups, flows/ as flows, and the catalog they make together."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import networkx as nx
import pytest
from ruamel.yaml import YAML

from shopkb.core.flow.checks.catalog_view import AccessView, Catalog, CautionView
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.model import Flow, GoKind, Proof

ROOT = Path(__file__).parent.parent
FIXTURES = ROOT / "fixtures"
FLOWS = sorted((ROOT / "flows").glob("*.yaml"))
MARK = "# Invented demo data: Withy Saltings Community Buses."
KEY = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
SUB_PROCEDURES = {
    "coolant-in-oil",
    "fan-with-own-unit",
    "hot-though-fan-runs",
    "parasitic-draw-method",
    "relay-and-control",
    "starter-weak-or-slips",
    "voltage-drop-method",
}
"""Reached from other procedures by ``hand-over``, for no symptom of their own; they may be shorter."""

Node = dict[str, Any]


def load(name: str) -> list[Node]:
    """One file of fixtures/, a list of groups."""
    return list(YAML(typ="safe", pure=True).load(FIXTURES / f"{name}.yaml"))


def walk(
    nodes: list[Node], above: str = "", hazards: frozenset[str] = frozenset()
) -> Iterator[tuple[str, Node, frozenset[str]]]:
    """Path, node and hazards (ancestors' included) of every node of a tree."""
    for node in nodes:
        path, own = above + node["key"], hazards | frozenset(node.get("hazards", ()))
        yield path, node, own
        yield from walk(node.get("children", []), f"{path}/", own)


def shelf_catalog() -> Catalog:
    """The catalog that fixtures/ describes, with the procedures of flows/."""
    return Catalog(
        systems={path: hazards for path, _, hazards in walk(load("systems"))},
        access={
            state["key"]: AccessView(state["key"], state["name"], float(state["minutes"]), frozenset(state["hazards"]))
            for state in load("access")
        },
        cautions={
            caution["key"]: CautionView(
                caution["key"], caution["signal"], frozenset(caution["hazards"]), caution["text"]
            )
            for caution in load("cautions")
        },
        symptoms=frozenset(symptom["key"] for symptom in load("symptoms")),
        platforms=frozenset(path for path, _, _ in walk(load("platforms"))),
        procedures=frozenset(path.stem for path in FLOWS),
    )


CATALOG = shelf_catalog()


def read(path: Path) -> Flow:
    flow = read_flow(path.read_bytes()).flow
    assert flow is not None
    return flow


SHELF = {path.stem: read(path) for path in FLOWS}
every_flow = pytest.mark.parametrize("flow", SHELF.values(), ids=SHELF.keys())


def graph(flow: Flow) -> nx.MultiDiGraph:
    """Steps and causes as nodes, outcomes as edges."""
    drawn = nx.MultiDiGraph()
    drawn.add_nodes_from(step.key for step in flow.steps)
    for step in flow.steps:
        for outcome in step.outcomes:
            if outcome.go.kind in (GoKind.STEP, GoKind.CAUSE):
                drawn.add_edge(step.key, outcome.go.key, key=outcome.key)
    return drawn


def share_proven(flow: Flow) -> float:
    """Share of the ends that name a cause whose proof is better than elimination."""
    ends = [outcome for step in flow.steps for outcome in step.outcomes if outcome.go.kind is GoKind.CAUSE]
    return sum(end.proof not in (None, Proof.ELIMINATION) for end in ends) / len(ends)
