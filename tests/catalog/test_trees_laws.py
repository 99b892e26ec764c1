"""Any sequence of writes leaves valid trees and right paths (law 8), against a plain map of parents."""

from __future__ import annotations

from dataclasses import dataclass, field

import networkx as nx
import pytest
from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.catalog import trees
from shopkb.catalog.models import System
from shopkb.catalog.verifying import NodeRow, cuts_for, findings_in, loops_in, verify
from tests.examples import examples

KEYS = st.sampled_from(["a", "b", "c"])
NAMES = st.text("abAB zé", min_size=1, max_size=6).filter(str.strip)
PLACE = st.integers(min_value=-1, max_value=9)
WRITES = st.one_of(
    st.tuples(st.just("add"), PLACE, KEYS, NAMES),
    st.tuples(st.just("move"), PLACE, PLACE, NAMES),
    st.tuples(st.just("remove"), PLACE, KEYS, NAMES),
    st.tuples(st.just("rename"), PLACE, KEYS, NAMES),
)


@dataclass
class Shadow:
    """The tree as a map from row id to (parent id, key)."""

    links: dict[int, tuple[int | None, str]] = field(default_factory=dict)

    def pick(self, place: int) -> int | None:
        """Some node; None stands for the top of the tree."""
        return None if place < 0 or not self.links else sorted(self.links)[place % len(self.links)]

    def line(self, node: int | None) -> list[int]:
        """The node, its parent, and on up."""
        line: list[int] = []
        while node is not None:
            line.append(node)
            node = self.links[node][0]
        return line

    def path(self, node: int) -> str:
        return "/".join(reversed([self.links[step][1] for step in self.line(node)]))


def apply(shadow: Shadow, write: tuple[str, int, object, str]) -> None:
    kind, place, third, name = write
    at = shadow.pick(place)
    node = System.objects.get(pk=at) if at is not None else None
    if kind == "add":
        key = str(third)
        if (at, key) in shadow.links.values():
            with pytest.raises(trees.DuplicateKey):
                trees.add(System, key=key, name=name, parent=node)
            return
        shadow.links[trees.add(System, key=key, name=name, parent=node).pk] = (at, key)
    elif node is None:
        return
    elif kind == "move":
        move(shadow, node, shadow.pick(int(str(third))))
    elif kind == "remove":
        if any(parent == at for parent, _ in shadow.links.values()):
            with pytest.raises(trees.StillInUse):
                trees.remove(node)
            return
        trees.remove(node)
        del shadow.links[node.pk]
    else:
        trees.rename(node, name)


def move(shadow: Shadow, node: System, to: int | None) -> None:
    target = System.objects.get(pk=to) if to is not None else None
    here, key = shadow.links[node.pk]
    if here == to:
        trees.move(node, target)
    elif node.pk in shadow.line(to):
        with pytest.raises(trees.BelowItself):
            trees.move(node, target)
    elif (to, key) in shadow.links.values():
        with pytest.raises(trees.DuplicateKey):
            trees.move(node, target)
    else:
        trees.move(node, target)
        shadow.links[node.pk] = (to, key)


@pytest.mark.django_db
@settings(max_examples=examples(60))
@given(writes=st.lists(WRITES, max_size=25))
def test_any_sequence_of_writes_leaves_a_whole_tree(writes: list[tuple[str, int, object, str]]) -> None:
    with transaction.atomic():
        shadow = Shadow()
        for write in writes:
            apply(shadow, write)
        assert verify(System).findings == ()
        stored = {node.pk: node for node in System.objects.all()}
        assert {pk: node.path for pk, node in stored.items()} == {pk: shadow.path(pk) for pk in shadow.links}
        for pk, node in stored.items():
            below = {other for other in shadow.links if pk in shadow.line(other)[1:]}
            assert set(node.get_descendants().values_list("pk", flat=True)) == below
        transaction.set_rollback(True)


@st.composite
def any_links(draw: st.DrawFn) -> list[NodeRow]:
    """Rows whose parents point anywhere but at themselves: loops, chains into loops, parents that are missing."""
    size = draw(st.integers(min_value=1, max_value=12))
    rows = []
    for number in range(1, size + 1):
        parent = draw(st.none() | st.integers(min_value=1, max_value=size + 1).filter(lambda up, n=number: up != n))
        rows.append(
            NodeRow(
                number, parent, f"k{number}", draw(st.sampled_from(["", "k1/", "k2/k3/"])) + f"k{number}", 1, 1, 2, 0
            )
        )
    return rows


def graph_of(rows: list[NodeRow]) -> nx.DiGraph:
    graph = nx.DiGraph()
    graph.add_nodes_from(row.id for row in rows)
    graph.add_edges_from((row.id, row.parent_id) for row in rows if row.parent_id in graph)
    return graph


@given(rows=any_links())
def test_loops_are_those_that_networkx_finds(rows: list[NodeRow]) -> None:
    ours = {frozenset(row.id for row in loop) for loop in loops_in(rows)}
    assert ours == {frozenset(cycle) for cycle in nx.simple_cycles(graph_of(rows))}


@given(rows=any_links())
def test_after_the_cuts_every_node_is_reached_and_no_key_clashes(rows: list[NodeRow]) -> None:
    cuts = {cut.node: cut for cut in cuts_for(rows)}
    mended = [
        NodeRow(
            row.id,
            cuts[row.id].parent,
            cuts[row.id].key,
            *[getattr(row, f) for f in ("path", "tree_id", "lft", "rght", "level")],
        )
        if row.id in cuts
        else row
        for row in rows
    ]
    assert nx.is_forest(graph_of(mended))
    left = {finding.id for finding in findings_in(mended)}
    assert not left & {"parent-loop", "parent-missing", "no-root"}
    assert len({(row.parent_id, row.key) for row in mended}) == len(rows)


@given(rows=any_links())
def test_no_more_is_cut_than_needed(rows: list[NodeRow]) -> None:
    missing = [row for row in rows if row.parent_id is not None and row.parent_id > len(rows)]
    assert len(cuts_for(rows)) == len(loops_in(rows)) + len(missing)
