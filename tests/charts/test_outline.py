"""The chart's content as a nested list."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from shopkb.charts.outline import MOST_NESTED, OutlineBranch, OutlineStep, outline
from shopkb.charts.view import ChartOptions
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome, Step, TestKind
from tests.charts.drawing import small
from tests.charts.sample import COMPONENTS, FAN, NOTES, NOW, PATH, POSSIBLE, TITLES


def told(step: OutlineStep) -> Iterator[OutlineStep]:
    """The steps of one nested list in reading order."""
    yield step
    for branch in step.branches:
        if branch.child:
            yield from told(branch.child)


def depth(step: OutlineStep) -> int:
    return 1 + max((depth(branch.child) for branch in step.branches if branch.child), default=0)


def fan() -> dict[str, OutlineStep]:
    roots = outline(
        FAN, ChartOptions(notes=NOTES, path=PATH, now=NOW, titles=TITLES, possible=POSSIBLE, components=COMPONENTS)
    )
    return {step.key: step for root in roots for step in told(root)}


def branch(step: str, key: str) -> OutlineBranch:
    (found,) = [branch for branch in fan()[step].branches if branch.key == key]
    return found


def test_the_start_comes_first() -> None:
    first, *_ = outline(FAN)
    assert (first.number, first.key, first.title, first.kind_name) == (
        1, "warm-up", "Warm up to fan-on temperature, watch the gauge", "look",
    )  # fmt: skip


def test_rates_in_words() -> None:
    assert branch("command-high", "runs").rate_text == "8 of 10 jobs"
    assert branch("harness", "high").rate_text == "1 of 1 job"
    assert branch("warm-up", "runs").rate_text == "no jobs yet"


def test_where_a_branch_goes_in_words() -> None:
    assert branch("command-high", "silent").goes_to_words == "step 5"
    assert branch("feed", "weak").goes_to_words == "step 13, above"
    assert branch("warm-up", "runs").goes_to_words == "leave: Complaint not present now."
    assert branch("codes", "sensor").goes_to_words == "go on with the procedure: Coolant sensor circuit"
    assert branch("heat-marks", "burnt").goes_to_words == "cause: fan connector, burnt terminal; proof: seen"
    assert branch("resistor", "good").goes_to_words == (
        "cause: feed wire, broken strands; by elimination; still possible 0.07"
    )


def test_the_path_is_marked_in_words() -> None:
    assert branch("fuse", "whole").marks_words == "taken on this job"
    assert branch("fuse", "blown").marks_words == ""
    assert fan()["fuse"].marks_words == "done on this job"
    assert fan()["direct"].marks_words == "you are here"
    assert fan()["relay"].marks_words == ""


def test_a_long_way_goes_on_in_the_outermost_list() -> None:
    roots = outline(FAN, ChartOptions(titles=TITLES))
    assert [root.number for root in roots] == [1, 10]
    assert {branch.goes_to_words for step in told(roots[0]) for branch in step.branches} >= {"step 10, below"}


def test_faulty_drafts() -> None:
    loop = Outcome("again", "again", Go(GoKind.STEP, "a"))
    typo = Outcome("typo", "typo", Go(GoKind.NOWHERE, "hron"))
    empty = Outcome("empty", "empty", Go(GoKind.NOWHERE))
    (step,) = outline(replace(small(loop, typo, empty), start="missing"))
    assert [branch.goes_to_words for branch in step.branches] == [
        "step 1, above",
        "leads nowhere: no step or cause hron",
        "leads nowhere yet",
    ]
    assert step.branches[0].seen_before


def test_a_flow_without_steps_has_an_empty_outline() -> None:
    assert outline(replace(FAN, steps=())) == ()


@st.composite
def flows(draw: st.DrawFn) -> Flow:
    """Any flow of up to 30 steps, loops and unreachable steps included."""
    count = draw(st.integers(1, 30))
    targets = st.lists(st.integers(0, count), max_size=3)
    steps = tuple(
        Step(f"s{index}", f"Step {index}", TestKind.LOOK, tuple(
            Outcome(f"o{place}", "x", Go(GoKind.STEP, f"s{target}")) for place, target in enumerate(draw(targets))
        )) for index in range(count)
    )  # fmt: skip
    return Flow("any", "Any", "body", draw(st.sampled_from(["s0", "s3", ""])), steps)


@given(flows())
def test_every_step_is_told_once_and_every_mention_says_where(flow: Flow) -> None:
    roots = outline(flow)
    order = [step for root in roots for step in told(root)]
    assert sorted(step.number for step in order) == list(range(1, len(flow.steps) + 1))
    assert all(depth(root) <= MOST_NESTED for root in roots)
    place = {step.number: index for index, step in enumerate(order)}
    for index, step in enumerate(order):
        for branch in step.branches:
            _, _, number = branch.goes_to_words.partition("step ")
            if branch.child:
                assert branch.goes_to_words == f"step {branch.child.number}"
            elif branch.goes_to_words.endswith(", above"):
                assert branch.seen_before
                assert place[int(number.removesuffix(", above"))] < end(index, step) + 1
            elif branch.goes_to_words.endswith(", below"):
                assert place[int(number.removesuffix(", below"))] > index


def end(index: int, step: OutlineStep) -> int:
    """The last place of a step's own list."""
    return index + sum(1 for _ in told(step)) - 1


def test_a_chain_of_two_thousand_steps_is_told() -> None:
    steps = tuple(
        Step(f"s{index}", "x", TestKind.LOOK, (Outcome("on", "on", Go(GoKind.STEP, f"s{index + 1}")),))
        for index in range(2000)
    )
    roots = outline(Flow("chain", "Chain", "body", "s0", steps))
    assert len(roots) == 2000 / MOST_NESTED
