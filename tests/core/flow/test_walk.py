"""Where a run stands: by hand, and against a plain model that knows nothing but the rules in words.

The model replays the entries over a dictionary of steps: an answer to a step on the way replaces it and cuts what came
after when it leads elsewhere; an answer to the step to do now goes on; any other answer is kept aside.
"""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.flow.model import Flow, Go, GoKind, Outcome
from shopkb.core.flow.walk import AnsweredStep, walk
from tests.core.flow.builders import cause, flow, outcome, step
from tests.examples import examples

HORN = flow(
    step("press", outcome("sounds", "out"), outcome("click", "supply"), outcome("silent", "hand-over horn-control")),
    step("supply", outcome("full", "ground"), outcome("weak", "cause:relay"), outcome("absent", "nowhere:fuse")),
    step("ground", outcome("good", "direct"), outcome("bad", "cause:joint")),
    step("direct", outcome("silent", "cause:horn"), outcome("sounds", "out")),
    causes=(cause("relay"), cause("joint"), cause("horn")),
)


def entries(*pairs: str) -> list[AnsweredStep]:
    """``press click`` as an entry."""
    return [AnsweredStep(*pair.split()) for pair in pairs]


# By hand


def test_nothing_recorded_stands_at_the_start() -> None:
    found = walk(HORN, [])
    assert (found.standing, found.path, found.current, found.end, found.end_step) == ((), (), "press", None, "")


def test_a_start_that_is_no_step_leaves_nothing_to_do() -> None:
    assert walk(flow(step("press", outcome("a", "out")), start="gone"), []).current == ""
    assert walk(flow(step("press", outcome("a", "out")), start="gone"), entries("press a")).path == ()


def test_the_way_to_a_cause() -> None:
    found = walk(HORN, entries("press click", "supply full", "ground bad"))
    assert found.standing == (0, 1, 2)
    assert found.path == (("press", "click"), ("supply", "full"), ("ground", "bad"))
    assert (found.current, found.end_step) == ("", "ground")
    assert found.end == outcome("bad", "cause:joint")


def test_hand_over_and_out_end_the_walk() -> None:
    for route, kind in (("silent", GoKind.HAND_OVER), ("sounds", GoKind.OUT)):
        found = walk(HORN, entries(f"press {route}"))
        assert found.end is not None
        assert (found.end.go.kind, found.current, found.end_step) == (kind, "", "press")


def test_a_branch_that_leads_nowhere_breaks_off() -> None:
    found = walk(HORN, entries("press click", "supply absent"))
    assert (found.current, found.end_step) == ("", "supply")
    assert found.end is not None and found.end.go.kind is GoKind.NOWHERE


def test_a_branch_to_a_step_that_is_not_there_breaks_off_without_an_end() -> None:
    broken = flow(step("press", outcome("on", "gone")))
    found = walk(broken, entries("press on"))
    assert (found.current, found.end, found.end_step) == ("", None, "")


def test_the_same_answer_again_stands_in_for_the_first() -> None:
    found = walk(HORN, entries("press click", "supply full", "press click"))
    assert found.standing == (2, 1)
    assert (found.path, found.current) == ((("press", "click"), ("supply", "full")), "ground")


def test_another_answer_supersedes_all_that_came_after() -> None:
    found = walk(HORN, entries("press click", "supply full", "ground good", "supply weak"))
    assert found.standing == (0, 3)
    assert (found.end_step, found.current) == ("supply", "")


def test_after_another_answer_the_old_way_is_taken_afresh() -> None:
    found = walk(HORN, entries("press click", "supply full", "press sounds", "press click", "ground bad"))
    assert (found.standing, found.current) == ((3,), "supply")


def test_an_end_can_be_left_again() -> None:
    found = walk(HORN, entries("press sounds", "press click"))
    assert (found.standing, found.current, found.end) == ((1,), "supply", None)


def test_a_late_answer_is_kept_and_moves_nothing() -> None:
    """A tablet that was offline sends the ground's answer before the supply was answered on another one."""
    late = walk(HORN, entries("press click", "ground bad"))
    assert (late.standing, late.current) == ((0,), "supply")
    caught_up = walk(HORN, entries("press click", "ground bad", "supply full"))
    assert (caught_up.standing, caught_up.current) == ((0, 2), "ground")
    answered = walk(HORN, entries("press click", "ground bad", "supply full", "ground good"))
    assert (answered.standing, answered.current) == ((0, 2, 3), "direct")


def test_an_answer_of_a_superseded_step_does_not_count_later() -> None:
    found = walk(HORN, entries("press click", "supply full", "ground good", "press sounds", "ground bad"))
    assert (found.standing, found.end_step) == ((3,), "press")


def test_steps_and_outcomes_that_are_gone_are_passed_over() -> None:
    """A run that was moved to a newer revision: what it no longer has does not count."""
    found = walk(HORN, entries("press click", "lamp on", "supply brim", "press hum", "supply full"))
    assert (found.standing, found.current) == ((0, 4), "ground")


def test_a_loop_of_a_faulty_draft_comes_to_rest() -> None:
    """The checks refuse loops; a walk through one still ends with what was recorded."""
    loop = flow(step("a", outcome("on", "b")), step("b", outcome("back", "a"), outcome("off", "out")))
    found = walk(loop, entries("a on", "b back", "a on"))
    assert (found.path, found.current) == ((("a", "on"), ("b", "back")), "a")


# Against the model

KEYS = ["s0", "s1", "s2", "s3", "s4"]
ROUTES = ["a", "b", "c"]


@st.composite
def flows(draw: st.DrawFn) -> Flow:
    """Up to five steps whose outcomes lead anywhere, loops and dead ends included."""
    keys = KEYS[: draw(st.integers(1, 5))]
    ways = [Go(GoKind.OUT), Go(GoKind.CAUSE, "c"), Go(GoKind.HAND_OVER, "p"), Go(GoKind.NOWHERE, "x")]
    ways += [Go(GoKind.STEP, key) for key in keys] * 2 + [Go(GoKind.STEP, "gone")]
    steps = [
        step(key, *(Outcome(route, route, draw(st.sampled_from(ways))) for route in ROUTES[: draw(st.integers(1, 3))]))
        for key in keys
    ]
    return flow(*steps, causes=(cause("c"),), start=draw(st.sampled_from([*keys, "gone"])))


records = st.lists(
    st.builds(AnsweredStep, st.sampled_from([*KEYS, "gone"]), st.sampled_from([*ROUTES, "", "gone"])), max_size=12
)


def model(drawn: Flow, recorded: list[AnsweredStep]) -> tuple[list[tuple[int, str, str]], str]:
    """Standing (position, step, route) in path order, and the step to do now."""
    go = {(each.key, out.key): out.go for each in drawn.steps for out in each.outcomes}
    now, way = drawn.start, list[tuple[int, str, str]]()
    for position, entry in enumerate(recorded):
        led = go.get((entry.step, entry.route))
        if led is None:
            continue
        on_way = {key: place for place, (_position, key, _route) in enumerate(way)}
        if entry.step in on_way:
            place = on_way[entry.step]
            if way[place][2] == entry.route:
                way = [*way[:place], (position, entry.step, entry.route), *way[place + 1 :]]
                continue
            way = way[:place]
        elif entry.step != now:
            continue
        way.append((position, entry.step, entry.route))
        now = led.key if led.kind is GoKind.STEP else ""
    return way, now if now in {each.key for each in drawn.steps} else ""


@settings(max_examples=examples(300))
@given(flows(), records)
def test_the_walk_is_the_models(drawn: Flow, recorded: list[AnsweredStep]) -> None:
    found = walk(drawn, recorded)
    way, now = model(drawn, recorded)
    assert found.standing == tuple(position for position, _step, _route in way)
    assert found.path == tuple((key, route) for _position, key, route in way)
    assert found.current == now


@settings(max_examples=examples(300))
@given(flows(), records)
def test_what_always_holds(drawn: Flow, recorded: list[AnsweredStep]) -> None:
    found = walk(drawn, recorded)
    steps = [key for key, _route in found.path]
    assert len(steps) == len(set(steps)) <= len(drawn.steps)
    assert found.current == "" or found.end is None
    for (key, route), (after, _next) in zip(found.path, found.path[1:], strict=False):
        assert drawn.step_by_key[key].outcome(route).go == Go(GoKind.STEP, after)
    if found.path:
        assert found.path[0][0] == drawn.start
        last = drawn.step_by_key[found.path[-1][0]].outcome(found.path[-1][1])
        assert found.end == (None if last.go.kind is GoKind.STEP else last)


@settings(max_examples=examples(150))
@given(flows(), records, records)
def test_what_was_recorded_is_replayed_the_same_way_however_it_is_cut(
    drawn: Flow, first: list[AnsweredStep], second: list[AnsweredStep]
) -> None:
    """Only what stands after the first part matters to the second."""
    whole = walk(drawn, [*first, *second])
    kept = [entry for index, entry in enumerate(first) if index in walk(drawn, first).standing]
    in_path_order = [AnsweredStep(*pair) for pair in walk(drawn, first).path]
    assert len(kept) == len(in_path_order)
    assert walk(drawn, [*in_path_order, *second]).path == whole.path


@settings(max_examples=examples(300))
@given(flows(), records)
def test_one_entry_more_goes_on_from_the_walk_before_it(drawn: Flow, recorded: list[AnsweredStep]) -> None:
    before = walk(drawn, [])
    for count in range(1, len(recorded) + 1):
        whole = walk(drawn, recorded[:count])
        assert walk(drawn, recorded[:count], before) == whole
        before = whole
