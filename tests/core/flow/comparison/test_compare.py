"""Two revisions held against each other."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings

from shopkb.core.flow.comparison.compare import ChangeKind, Comparison, compare
from shopkb.core.flow.model import ComputedValue, Flow, Proof, ReadingSpec, TestKind, Usual
from shopkb.core.readings.bands import parse_band
from tests.core.flow.builders import cause, flow, measure, outcome, step
from tests.core.flow.file.test_writer import flows
from tests.examples import examples

PRESS = step("press", outcome("click", "supply"), outcome("quiet", "hand-over horn-control"), at="body/horn/relay")
SUPPLY = measure(
    "supply",
    outcome("full", "cause:open", ">= 12 V - drop", Proof.MEASURED),
    outcome("low", "out", "< 12 V - drop"),
    minutes=4.0,
)
DROP = ComputedValue("drop", "copper-cable-drop", (("area", "1.5 mm2"), ("length", "4 m"), ("current", "6 A")))
OLD = flow(PRESS, SUPPLY, causes=[cause("open")], values=[DROP])


def changed(new: Flow) -> list[str]:
    compared = compare(OLD, new)
    every = (*compared.steps, *compared.outcomes, *compared.causes)
    return [each.text() for each in every if each.change is not ChangeKind.KEPT]


def with_press(**fields: object) -> Flow:
    return replace(OLD, steps=(replace(PRESS, **fields), SUPPLY))  # type: ignore[arg-type]


def is_same(compared: Comparison) -> bool:
    every = (*compared.steps, *compared.outcomes, *compared.causes)
    return not compared.procedure and {each.change for each in every} <= {ChangeKind.KEPT}


def with_supply(**fields: object) -> Flow:
    return replace(OLD, steps=(PRESS, replace(SUPPLY, **fields)))  # type: ignore[arg-type]


def with_full(**fields: object) -> Flow:
    full, low = SUPPLY.outcomes
    return with_supply(outcomes=(replace(full, **fields), low))  # type: ignore[arg-type]


def test_everything_is_kept_when_nothing_changed() -> None:
    compared = compare(OLD, OLD)
    assert is_same(compared)
    assert [each.where for each in compared.of(ChangeKind.KEPT)] == [
        "steps.press",
        "steps.supply",
        "steps.press.outcomes.click",
        "steps.press.outcomes.quiet",
        "steps.supply.outcomes.full",
        "steps.supply.outcomes.low",
        "causes.open",
    ]


def test_a_new_title_is_a_rewording() -> None:
    assert changed(with_press(title="Press the button")) == ["steps.press reworded: title Press the button, was Press"]


def test_a_long_text_is_only_named() -> None:
    assert changed(with_press(instruction="Press. " * 20)) == ["steps.press reworded: instruction changed"]


def test_line_breaks_and_spaces_change_nothing() -> None:
    spaced = replace(OLD, summary="One  two\n")
    assert is_same(compare(replace(OLD, summary="One two"), spaced))


def test_minutes_and_unit_leave_the_meaning_alone() -> None:
    assert changed(with_supply(minutes=3.5, reading=ReadingSpec("voltage", "mV"))) == [
        "steps.supply reworded: minutes 3.5, was 4; unit mV, was V"
    ]


def test_another_way_is_a_rerouting() -> None:
    (quiet,) = PRESS.outcomes[1:]
    rerouted = with_press(outcomes=(replace(PRESS.outcomes[0], go=quiet.go), quiet))
    assert changed(rerouted) == [
        "steps.press.outcomes.click rerouted: leads to hand-over horn-control, was the step supply"
    ]


def test_another_proof_is_a_rerouting() -> None:
    assert changed(with_full(proof=Proof.ELIMINATION)) == [
        "steps.supply.outcomes.full rerouted: proof elimination, was measured"
    ]


def test_another_band_changes_the_meaning_of_its_outcome() -> None:
    new = with_full(band=parse_band(">= 11 V - drop"), label="Enough")
    assert changed(new) == [
        "steps.supply.outcomes.full changed in meaning: band >= 11 V - drop, was >= 12 V - drop; label Enough, was Full"
    ]
    assert [each.outcome for each in compare(OLD, new).lost] == ["full"]


def test_a_band_changes_its_meaning_with_the_value_it_uses() -> None:
    thicker = replace(DROP, inputs=(("area", "2.5 mm2"), ("length", "4 m")))
    said = (
        "value drop copper-cable-drop, area 2.5 mm2, length 4 m,"
        " was copper-cable-drop, area 1.5 mm2, length 4 m, current 6 A"
    )
    assert changed(replace(OLD, values=(thicker,))) == [
        f"steps.supply.outcomes.full changed in meaning: {said}",
        f"steps.supply.outcomes.low changed in meaning: {said}",
    ]


def test_another_kind_of_test_changes_the_meaning_of_step_and_outcomes() -> None:
    assert changed(with_press(test=TestKind.LISTEN)) == [
        "steps.press changed in meaning: test listen, was look",
        "steps.press.outcomes.click changed in meaning: its step changed in meaning",
        "steps.press.outcomes.quiet changed in meaning: its step changed in meaning",
    ]


def test_another_reading_changes_the_meaning() -> None:
    points = ReadingSpec("voltage", "V", ("supply pin", "ground"), True)
    assert changed(with_supply(reading=points))[0] == (
        "steps.supply changed in meaning: measured between supply pin and ground, was none;"
        " load with load, was without load"
    )
    assert changed(with_supply(reading=ReadingSpec("current", "A")))[0] == (
        "steps.supply changed in meaning: quantity current, was voltage; unit A, was V"
    )


def test_steps_and_outcomes_come_and_go() -> None:
    new = flow(
        replace(PRESS, outcomes=(*PRESS.outcomes[:1], outcome("buzz", "out"))),
        step("ground", outcome("good", "out")),
        causes=[cause("worn")],
        values=[DROP],
    )
    assert changed(new) == [
        "steps.ground added",
        "steps.supply removed",
        "steps.press.outcomes.buzz added",
        "steps.press.outcomes.quiet removed",
        "steps.ground.outcomes.good added",
        "steps.supply.outcomes.full removed",
        "steps.supply.outcomes.low removed",
        "causes.worn added",
        "causes.open removed",
    ]


def test_a_cause_changes_its_meaning_with_component_or_mode() -> None:
    rare = replace(cause("open", mode="Open circuit "), usual=Usual.RARE, price=28.5)
    assert changed(replace(OLD, causes=(rare,))) == [
        "causes.open reworded: usual rare, was occasional; price 28.5, was none"
    ]
    assert changed(replace(OLD, causes=(cause("open", mode="short circuit"),))) == [
        "causes.open changed in meaning: failure mode short circuit, was open circuit"
    ]


def test_the_head_of_a_procedure_is_compared_too() -> None:
    new = replace(OLD, title="No horn", start="supply", symptoms=("horn-silent",))
    assert compare(OLD, new).procedure == (
        "title No horn, was Horn stays silent",
        "start supply, was press",
        "symptoms horn-silent, was none",
    )


@settings(max_examples=examples(25))
@given(flows(), flows())
def test_every_key_of_both_flows_is_told_about_once(old: Flow, new: Flow) -> None:
    compared = compare(old, new)
    assert is_same(compare(old, old))
    assert sorted(each.step for each in compared.steps) == sorted({*old.step_by_key, *new.step_by_key})
    assert sorted(each.cause for each in compared.causes) == sorted({*old.cause_by_key, *new.cause_by_key})
    back = compare(new, old)
    assert len(back.of(ChangeKind.ADDED)) == len(compared.of(ChangeKind.REMOVED))
    assert len(back.of(ChangeKind.MEANING)) == len(compared.of(ChangeKind.MEANING))
