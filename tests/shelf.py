"""The shelf as the tests see it: fixtures/ as groups, flows/ as flows, and the catalog they make together.

``SHIPPED`` are the procedures as a real shop gets them, for kinds of vehicle; ``SHELF`` are those for the vehicles of
the demo.
"""

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
from shopkb.demo.kinds import read_kinds

ROOT = Path(__file__).parent.parent
STARTER = ROOT / "fixtures" / "starter"
DEMO = ROOT / "fixtures" / "demo"
FLOWS = sorted((ROOT / "flows").glob("*.yaml"))
MARK = "# Invented demo data: Withy Saltings Community Buses."
STARTER_MARK = (
    "# Starter catalog: common workshop practice, no maker's data. Check it against the data of the vehicle's maker."
)
FLOW_MARK = "# Common practice, without any maker's data: check every limit against the data of the vehicle's maker."
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


def load(name: str, folder: Path = STARTER) -> list[Node]:
    """One file of fixtures/, a list of groups."""
    return list(YAML(typ="safe", pure=True).load(folder / f"{name}.yaml"))


def walk(
    nodes: list[Node], above: str = "", hazards: frozenset[str] = frozenset()
) -> Iterator[tuple[str, Node, frozenset[str]]]:
    """Path, node and hazards (ancestors' included) of every node of a tree."""
    for node in nodes:
        path, own = above + node["key"], hazards | frozenset(node.get("hazards", ()))
        yield path, node, own
        yield from walk(node.get("children", []), f"{path}/", own)


def shelf_catalog() -> Catalog:
    """The catalog that fixtures/ describes, kinds of vehicle and the demo's, with the procedures of flows/."""
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
        platforms=frozenset(path for folder in (STARTER, DEMO) for path, _, _ in walk(load("platforms", folder))),
        procedures=frozenset(path.stem for path in FLOWS),
    )


CATALOG = shelf_catalog()


def read(path: Path) -> Flow:
    flow = read_flow(path.read_bytes()).flow
    assert flow is not None
    return flow


SHIPPED = {path.stem: read(path) for path in FLOWS}
_FITTED = read_kinds(ROOT).fitted
SHELF = {key: _FITTED(flow) for key, flow in SHIPPED.items()}
every_flow = pytest.mark.parametrize("flow", SHIPPED.values(), ids=SHIPPED.keys())


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
