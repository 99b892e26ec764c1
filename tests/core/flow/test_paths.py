"""Ways through a flow, held against networkx on random graphs, loops included."""

from __future__ import annotations

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.flow.model import Flow, Outcome, Step
from shopkb.core.flow.paths import (
    always_passed,
    causes_from,
    causes_reachable,
    dominators,
    longest,
    loops,
    next_steps,
    order,
    reachable,
    steps_left,
)
from tests.core.flow.builders import cause, flow, outcome, step
from tests.examples import examples

CAUSES = ("c0", "c1", "c2")


@st.composite
def flows(draw: st.DrawFn) -> Flow:
    count = draw(st.integers(1, 9))
    steps = [f"s{number}" for number in range(count)]
    target = st.sampled_from([*steps, *(f"cause:{key}" for key in CAUSES), "out", "hand-over other", "nowhere:x"])
    made: list[Step] = []
    for key in steps:
        ways = draw(st.lists(target, max_size=4))
        made.append(step(key, *(outcome(f"o{number}", way) for number, way in enumerate(ways))))
    return flow(*made, causes=[cause(key) for key in CAUSES], start=draw(st.sampled_from(steps)))


def graph(given_flow: Flow) -> nx.DiGraph:
    """Steps and causes as nodes, one edge for each outcome that leads to one."""
    made = nx.DiGraph()
    made.add_nodes_from(each.key for each in given_flow.steps)
    for each in given_flow.steps:
        for branch in each.outcomes:
            if branch.go.kind in ("step", "cause"):
                made.add_edge(each.key, branch.go.key)
    return made


def steps_only(given_flow: Flow) -> nx.DiGraph:
    return graph(given_flow).subgraph([each.key for each in given_flow.steps])


many = settings(max_examples=examples(300))


@many
@given(flows())
def test_reachable_is_what_networkx_reaches(made: Flow) -> None:
    assert reachable(made) == nx.descendants(steps_only(made), made.start) | {made.start}


@many
@given(flows())
def test_loops_are_found_exactly_when_there_are_any(made: Flow) -> None:
    expected = steps_only(made)
    assert bool(loops(made)) == (not nx.is_directed_acyclic_graph(expected))
    for found in loops(made):
        around = [*found.steps, found.steps[0]]
        assert nx.is_path(expected, around)
        assert len(set(found.steps)) == len(found.steps)
        assert found.step == found.steps[-1]
        assert made.step_by_key[found.step].outcome(found.outcome).go.key == found.steps[0]


@many
@given(flows())
def test_cutting_the_closing_branches_leaves_no_loop(made: Flow) -> None:
    closing = {(found.step, found.outcome) for found in loops(made)}

    def kept(each: Step) -> tuple[Outcome, ...]:
        return tuple(branch for branch in each.outcomes if (each.key, branch.key) not in closing)

    cut = flow(*(step(each.key, *kept(each)) for each in made.steps), start=made.start)
    assert loops(cut) == ()
    assert order(cut) == order(made)


@many
@given(flows())
def test_order_is_topological_without_the_closing_branches(made: Flow) -> None:
    place = {key: number for number, key in enumerate(order(made))}
    closing = {(found.step, found.outcome) for found in loops(made)}
    assert sorted(place) == sorted(made.step_by_key)
    for each in made.steps:
        for branch in each.outcomes:
            if branch.go.kind == "step" and (each.key, branch.key) not in closing:
                assert place[each.key] < place[branch.go.key]


@many
@given(flows())
def test_longest_way_is_that_of_networkx(made: Flow) -> None:
    expected = steps_only(made)
    if not loops(made):
        met = expected.subgraph(reachable(made))
        assert longest(made) == nx.dag_longest_path_length(met) + 1
    assert all(1 <= steps_left(made, key) <= len(made.steps) for key in made.step_by_key)


@many
@given(flows())
def test_causes_are_those_networkx_reaches(made: Flow) -> None:
    expected = graph(made)
    for each in made.steps:
        assert causes_from(made, each.key) == nx.descendants(expected, each.key) & set(CAUSES)
        for branch in each.outcomes:
            there = branch.go.key
            met = nx.descendants(expected, there) | {there} if there in expected else set()
            assert causes_reachable(made, each.key, branch.key) == met & set(CAUSES)


@many
@given(flows())
def test_dominators_are_those_of_networkx(made: Flow) -> None:
    nearest = nx.immediate_dominators(steps_only(made), made.start)
    expected: dict[str, set[str]] = {}
    for key in reachable(made):
        chain, here = {key}, key
        while here != made.start:
            here = nearest[here]
            chain.add(here)
        expected[key] = chain
    assert dominators(made) == expected


def test_a_flow_without_start_reaches_nothing() -> None:
    lost = flow(step("a", outcome("on", "out")), start="missing")
    assert reachable(lost) == frozenset()
    assert dominators(lost) == {}
    assert longest(lost) == 0
    assert order(lost) == ("a",)


def test_order_follows_the_writer_where_the_ways_leave_it_open() -> None:
    made = flow(
        step("a", outcome("x", "d"), outcome("y", "b")),
        step("b", outcome("x", "out")),
        step("c", outcome("x", "out")),
        step("d", outcome("x", "b")),
    )
    assert order(made) == ("a", "c", "d", "b")
    assert next_steps(made, "a") == ("d", "b")
    assert always_passed(made, "b") == {"a"}
    assert always_passed(made, "c") == frozenset()


def test_unknown_outcomes_are_refused() -> None:
    made = flow(step("a", outcome("x", "out")))
    with pytest.raises(KeyError, match="y"):
        causes_reachable(made, "a", "y")
    with pytest.raises(KeyError, match="b"):
        causes_reachable(made, "b", "x")


def test_a_draft_of_two_thousand_steps_in_a_ring_is_no_trouble() -> None:
    count = 2_000
    made = flow(*(step(f"s{n}", outcome("on", f"s{(n + 1) % count}")) for n in range(count)))
    assert len(loops(made)) == 1
    assert longest(made) == count
