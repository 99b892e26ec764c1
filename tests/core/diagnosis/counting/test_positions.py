"""Where a result was got: worked by hand on the horn, and held against every way that networkx finds."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import networkx as nx
import pytest

from shopkb.core.diagnosis.counting.flow_counts import count
from shopkb.core.diagnosis.counting.positions import ASIDE, LENGTH, Recorded, on_written_way, positions
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome, Step, TestKind
from shopkb.core.flow.paths import reachable
from tests.core.diagnosis.flows import GROUND, HORN, RELAY, horn, tally, together
from tests.shelf import SHELF


def led(flow: Flow, step: str, outcome: str, to: str) -> Flow:
    """The flow with this branch leading to another step."""
    steps = tuple(
        replace(
            one,
            outcomes=tuple(
                replace(each, go=Go(GoKind.STEP, to)) if (one.key, each.key) == (step, outcome) else each
                for each in one.outcomes
            ),
        )
        for one in flow.steps
    )
    return replace(flow, steps=steps)


def swapped() -> Flow:
    """The horn with its ground tested before its supply: press, ground, supply, direct."""
    return led(led(led(horn(), "press", "click", "ground"), "ground", "good", "supply"), "supply", "full", "direct")


def test_a_step_is_known_by_the_results_that_lead_to_it() -> None:
    """After press, supply and ground in either order the same is known, so direct keeps its evidence, and press too."""
    before, after = positions(horn()), positions(swapped())
    assert [key for key in before if before[key] == after[key]] == ["press", "direct"]
    assert len(set(before.values())) == 4 and {len(key) for key in before.values()} == {LENGTH}
    assert ASIDE not in before.values()


def test_words_limits_and_what_follows_change_no_position() -> None:
    steps = [replace(step, title=f"{step.title}!", minutes=99.0) for step in reversed(horn().steps)]
    cut = led(replace(horn(), steps=tuple(steps)), "ground", "good", "nowhere")
    assert {key: positions(cut)[key] for key in ("press", "supply", "ground")} == {
        key: positions(horn())[key] for key in ("press", "supply", "ground")
    }


@pytest.mark.parametrize("flow", SHELF.values(), ids=list(SHELF))
def test_steps_share_a_position_only_where_the_same_ways_lead_to_them(flow: Flow) -> None:
    """Two steps come to by one branch each from the same step differ, whatever the number of ways; so does any other
    pair, since no two steps of one flow are come to with the same results."""
    graph = nx.MultiDiGraph(
        (step.key, outcome.go.key, outcome.key)
        for step in flow.steps
        for outcome in step.outcomes
        if outcome.go.kind is GoKind.STEP
    )
    met = set(nx.descendants(graph, flow.start)) | {flow.start}
    assert met == set(reachable(flow))
    place = positions(flow)
    assert all(place[one] != place[other] for one, other in combinations(sorted(met), 2))


def test_more_ways_than_are_told_apart_still_give_a_position() -> None:
    """Twelve steps in a row, each with two answers that lead on: 4,096 ways to the last."""
    steps = [
        Step(f"s{n}", "x", TestKind.LOOK, tuple(Outcome(k, k, Go(GoKind.STEP, f"s{n + 1}")) for k in "ab"))
        for n in range(12)
    ]
    last = Step("s12", "x", TestKind.LOOK, (Outcome("a", "a", Go(GoKind.OUT)),))
    flow = replace(horn(), steps=(*steps, last), start="s0")
    other = led(flow, "s11", "b", "nowhere")
    assert len(set(positions(flow).values())) == 13
    assert positions(other)["s12"] != positions(flow)["s12"] and positions(other)["s11"] == positions(flow)["s11"]


@pytest.mark.parametrize(
    ("then", "on_way"),
    [
        (Recorded("ground", "bad"), 3),
        (Recorded("direct", "silent", off_path=True), 2),
        (Recorded("ground", ""), 2),
        (None, 2),
    ],
    ids=["as written", "off the written way", "left out", "something else found out"],
)
def test_from_the_first_departure_on_nothing_is_on_the_written_way(then: Recorded | None, on_way: int) -> None:
    told = [Recorded("press", "click"), Recorded("supply", "full"), then, Recorded("ground", "bad")]
    assert len(on_written_way(told)) == on_way


def test_only_what_was_got_on_the_written_way_counts_as_taken() -> None:
    """Five jobs came to the ground as written, and four were right; three tested it first, and one by the ways of an
    edition that had it before the supply. All nine say what the test shows under each cause."""
    here, there = positions(horn())["ground"], positions(swapped())["ground"]
    parts = together(
        at(tally("ground", "bad", GROUND, 4), here),
        at(tally("ground", "bad", HORN, 1), here),
        at(tally("ground", "bad", RELAY, 3), ASIDE),
        at(tally("ground", "bad", RELAY, 1), there),
    )
    counts = count(horn(), parts, as_of="2026-11", half_life=None)
    row = counts.row_of["ground", "bad"]
    told = counts.by_platform
    assert [int(part[:, row].sum()) for part in (told.traffic, told.jobs, told.wins)] == [5, 5, 4]
    assert counts.verified[row].tolist() == [1, 4, 4, 0]
    assert counts.whole[:, row].tolist() == [9, 9]
    other = count(swapped(), parts, as_of="2026-11", half_life=None)
    assert other.by_platform.jobs[:, row].sum() == 1 and other.verified[row].tolist() == [1, 4, 4, 0]


def at(tallies: dict, position: str) -> dict:  # type: ignore[type-arg]
    return {replace(key, position=position): sums for key, sums in tallies.items()}
