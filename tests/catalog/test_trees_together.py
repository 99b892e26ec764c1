"""24 people at once. Without the lock row both trees break on PostgreSQL within a second."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import pytest
from django.db import connection

from shopkb.catalog import trees
from shopkb.catalog.models import Platform, System
from shopkb.catalog.verifying import verify
from tests.proof import note

PEOPLE = 24
WRITES = 6


def all_at_once(act: Callable[[int], int]) -> list[int]:
    """Run ``act`` for each person's number, begun together; raises what any of them raised."""
    gate = threading.Barrier(PEOPLE)

    def run(number: int) -> int:
        try:
            gate.wait(timeout=30)
            return act(number)
        finally:
            connection.close()

    with ThreadPoolExecutor(PEOPLE) as pool:
        return [future.result() for future in [pool.submit(run, number) for number in range(PEOPLE)]]


def work(number: int) -> int:
    """Adds, moves, renames and removes in one tree; how many were not refused."""
    dice = random.Random(number)
    tree: type[System] | type[Platform] = (System, Platform)[number % 2]
    done = 0
    for turn in range(WRITES):
        nodes = list(tree.objects.order_by("pk"))
        node, other = dice.choice(nodes), dice.choice([None, *nodes])
        name = f"Node {dice.random()}"
        writes: list[Callable[[], object]] = [
            partial(trees.add, tree, key=f"n{number}-{turn}", name=name, parent=other),
            partial(trees.move, node, other),
            partial(trees.remove, node) if number % 5 == 0 else partial(trees.rename, node, name),
        ]
        try:
            writes[turn % len(writes)]()
            done += 1
        except trees.TreeRefusal:
            pass  # somebody was first, or it is in use: a sentence, not damage
    return done


@pytest.mark.django_db(transaction=True)
def test_many_people_at_once_leave_both_trees_whole() -> None:
    for tree in (System, Platform):
        trees.load(tree, [trees.NodeValue(f"root-{number}", f"Root {number}") for number in range(6)])
    done = sum(all_at_once(work))
    assert done > PEOPLE * WRITES / 2
    note(f"tree writes by {PEOPLE} threads", done)
    assert verify(System).findings == ()
    assert verify(Platform).findings == ()


@pytest.mark.django_db(transaction=True)
def test_the_lock_row_that_does_not_exist_yet_is_made_once() -> None:
    def add_root(number: int) -> int:
        return trees.add(System, key=f"root-{number}", name="Same name").pk

    assert len(set(all_at_once(add_root))) == PEOPLE
    assert System.objects.count() == PEOPLE
    assert verify(System).findings == ()
