"""Parts of a chart folded to one card: nothing is lost, no loop is made, and the card says what is in it."""

from __future__ import annotations

from dataclasses import replace

import networkx as nx
import pytest

from shopkb.charts.branch_notes import BranchNote
from shopkb.charts.cards import card_chart
from shopkb.charts.folding import FoldGroup, blocks, circuit_of, folded
from shopkb.charts.render import render, texts
from shopkb.charts.view import ChartOptions
from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Proof, Step, TestKind
from tests.shelf import SHELF


def on(key: str) -> Outcome:
    return Outcome(f"to-{key}", f"to {key}", Go(GoKind.STEP, key))


def ends(key: str) -> Outcome:
    return Outcome(f"is-{key}", f"is {key}", Go(GoKind.CAUSE, key), proof=Proof.SEEN)


FLOW = Flow(
    "lamp", "Lamp dark", "body", "ask",
    (
        Step("ask", "Ask", TestKind.QUESTION, (on("fuse"), on("bulb")), at="body/lamp", minutes=1),
        Step("fuse", "Fuse whole?", TestKind.LOOK, (on("feed"), ends("blown")), at="power/box/fuse", minutes=2),
        Step("feed", "Feed", TestKind.MEASURE, (on("bulb"), ends("wire")), at="power/box/feed", minutes=5),
        Step("bulb", "Bulb", TestKind.LOOK, (ends("dead"), Outcome("no", "no", Go(GoKind.OUT))), at="body/lamp/bulb"),
    ),
    tuple(Cause(key, f"body/{key}", "open circuit") for key in ("blown", "wire", "dead")),
)  # fmt: skip
NOTES = {
    ("ask", "to-fuse"): BranchNote(20, 20, 30),
    ("ask", "to-bulb"): BranchNote(8, 8, 10),
    ("fuse", "to-feed"): BranchNote(9, 8, 12),
    ("fuse", "is-blown"): BranchNote(9, 8, 18),
    ("feed", "to-bulb"): BranchNote(3, 2, 4),
    ("feed", "is-wire"): BranchNote(5, 5, 8),
}


def test_steps_of_one_circuit_that_follow_each_other_can_be_folded() -> None:
    assert blocks(FLOW) == (FoldGroup("power/box", ("fuse", "feed")),)
    assert circuit_of(FLOW, FLOW.step_by_key["bulb"]) == "body/lamp"


def test_a_folded_card_says_steps_minutes_causes_and_jobs() -> None:
    flow, view = folded(FLOW, ChartOptions(notes=NOTES, circuits={"power/box": "Fuse box"}), {"fold-fuse"})
    chart = card_chart(flow, view)
    assert chart.labels["step-fold-fuse"] == (
        "2–3", "Fuse box", "folded", "7 min", "2 steps, 2 causes, 30 jobs",
        "goes on: Bulb", "→ 4", "4 jobs, 13 %", "ends with 2 causes", "26 jobs, 87 %",
    )  # fmt: skip
    assert "→ 2–3" in chart.labels["step-ask"]
    assert chart.labels["step-bulb"][0] == "4"
    assert {(edge.tail, edge.head) for edge in chart.edges} == {
        ("step-ask", "step-fold-fuse"), ("step-ask", "step-bulb"), ("step-fold-fuse", "step-bulb"),
    }  # fmt: skip
    assert texts(render(chart, "svg")) == chart.labels


def test_nothing_is_folded_that_nobody_asked_for() -> None:
    assert folded(FLOW, ChartOptions(), {"fold-bulb", "fold-nothing"}) == (FLOW, ChartOptions())


def test_a_place_inside_a_folded_card_is_marked_on_it() -> None:
    flow, view = folded(FLOW, ChartOptions(now="feed", path=[("ask", "to-fuse")]), {"fold-fuse"})
    assert "you are here" in card_chart(flow, view).labels["step-fold-fuse"]


def test_steps_with_a_way_outside_between_them_are_not_folded_together() -> None:
    """From the fuse over the bulb back into the box: as one card, box and bulb would lead to each other."""
    box, lamp = "power/box/fuse", "body/lamp/bulb"
    steps = (
        Step("a", "A", TestKind.LOOK, (on("b"), on("c")), at=box),
        Step("b", "B", TestKind.LOOK, (on("c"),), at=lamp),
        Step("c", "C", TestKind.LOOK, (Outcome("out", "out", Go(GoKind.OUT)),), at=box),
    )
    assert blocks(replace(FLOW, start="a", steps=steps)) == ()


def test_a_draft_with_a_loop_folds_nothing() -> None:
    steps = (Step("a", "A", TestKind.LOOK, (on("b"),), at="x/y"), Step("b", "B", TestKind.LOOK, (on("a"),), at="x/z"))
    assert blocks(replace(FLOW, start="a", steps=steps)) == ()


@pytest.mark.parametrize("flow", SHELF.values(), ids=list(SHELF))
def test_the_shelf_folds_without_a_loop_and_loses_no_step(flow: Flow) -> None:
    found = blocks(flow)
    shown, view = folded(flow, ChartOptions(), {block.key for block in found})
    inside = [key for block in found for key in block.steps]
    assert len(inside) == len(set(inside))
    assert set(shown.step_by_key) == (set(flow.step_by_key) - set(inside)) | {block.key for block in found}
    arrows = [(step.key, one.go.key) for step, one in shown.branches if one.go.kind is GoKind.STEP]
    assert nx.is_directed_acyclic_graph(nx.DiGraph(arrows))
    assert len(card_chart(shown, view).nodes) == len(shown.steps)
