"""What lies behind hand-overs, against networkx on the shipped procedures and by hand on small ones."""

from __future__ import annotations

import networkx as nx
import pytest

from shopkb.core.flow.hand_overs import NO_HAND_OVER_CAUSES, OUT, causes_behind, handed_over_to, reached_from, ways_out
from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Step, TestKind
from tests.shelf import SHELF, every_flow


def flow(key: str, causes: str, *targets: str) -> Flow:
    outcomes = [Outcome(f"to-{one}", one, Go(GoKind.HAND_OVER, one)) for one in targets]
    outcomes += [Outcome(one, one, Go(GoKind.CAUSE, one)) for one in causes]
    step = Step("s", "S", TestKind.LOOK, (*outcomes, Outcome("no", "No", Go(GoKind.OUT))))
    return Flow(
        key, key.upper(), "body", "s", (step,),
        tuple(Cause(one, f"body/{one}", "open") for one in causes),
    )  # fmt: skip


def parts(key: str, flows: dict[str, Flow]) -> dict[str, set[str]]:
    """By identity of the part: the letters of its causes."""
    found = causes_behind(flows[key], flows).parts
    return {part.identity: {cause.removeprefix("body/")[0] for cause in part.causes} for part in found}


def test_each_cause_lies_behind_the_hand_overs_that_lead_to_it_soonest() -> None:
    flows = {one.procedure: one for one in (
        flow("a", "pq", "b", "c"), flow("b", "qr", "d"), flow("c", "rs", "b"), flow("d", "tu"),
    )}  # fmt: skip
    assert parts("a", flows) == {"hand-over b c": {"r"}, "hand-over c": {"s"}, "hand-over b": {"t", "u"}}
    assert dict(causes_behind(flows["a"], flows).found) == {
        "b": frozenset({"body/q#open", "body/r#open"}),
        "c": frozenset({"body/r#open", "body/s#open"}),
    }
    named = {part.identity: part.name for part in causes_behind(flows["a"], flows).parts}
    assert named["hand-over b c"] == (
        "a cause for \N{LEFT DOUBLE QUOTATION MARK}B\N{RIGHT DOUBLE QUOTATION MARK} or another procedure"
    )


def test_two_that_hand_over_to_each_other_and_one_that_is_not_in_force() -> None:
    flows = {one.procedure: one for one in (flow("a", "p", "b", "gone"), flow("b", "pq", "a"))}
    assert parts("a", flows) == {"hand-over b": {"q"}}
    assert parts("b", flows) == {}
    assert causes_behind(flow("c", "p"), flows) == NO_HAND_OVER_CAUSES
    assert reached_from(["a", "gone"], flows) == {"a", "b"}


def test_ways_out_of_a_branch() -> None:
    one = flow("a", "p", "b")
    assert ways_out(one, "s", "to-b") == {"b"}
    assert ways_out(one, "s", "no") == {OUT}
    assert ways_out(one, "s", "p") == frozenset()


@every_flow
def test_ways_out_are_those_that_networkx_finds(flow: Flow) -> None:
    drawn = nx.MultiDiGraph()
    drawn.add_nodes_from(step.key for step in flow.steps)
    for step in flow.steps:
        for outcome in step.outcomes:
            end = {GoKind.STEP: outcome.go.key, GoKind.HAND_OVER: f"> {outcome.go.key}", GoKind.OUT: "out"}
            if outcome.go.kind in end:
                drawn.add_edge(step.key, end[outcome.go.kind], key=outcome.key)
    for step in flow.steps:
        for outcome in step.outcomes:
            there = [end for _, end, key in drawn.out_edges(step.key, keys=True) if key == outcome.key]
            met = {end for one in there for end in (one, *nx.descendants(drawn, one))}
            expected = {end.removeprefix("> ") for end in met if end.startswith("> ")} | (
                {OUT} if "out" in met else set()
            )
            assert ways_out(flow, step.key, outcome.key) == expected


@pytest.mark.parametrize("key", [key for key, flow in SHELF.items() if handed_over_to(flow)])
def test_every_cause_that_can_be_met_after_a_hand_over_lies_behind_one(key: str) -> None:
    drawn = nx.DiGraph([(one, to) for one, flow in SHELF.items() for to in handed_over_to(flow) if to in SHELF])
    own = {cause.identity for cause in SHELF[key].causes}
    met = {cause.identity for there in nx.descendants(drawn, key) for cause in SHELF[there].causes} - own
    found = causes_behind(SHELF[key], SHELF).parts
    assert set().union(*(part.causes for part in found)) == met
    assert sum(len(part.causes) for part in found) == len(met)
