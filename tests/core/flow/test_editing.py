"""What a writer can do to a procedure: each action, each refusal, and any sequence of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.flow import editing
from shopkb.core.flow.editing import EditRefused, KeyNotFound
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.model import Flow, Go, GoKind, Proof, ReadingSpec
from tests.examples import examples

HORN = (Path(__file__).parents[2] / "data" / "valid" / "horn-silent.yaml").read_bytes()


def horn() -> Flow:
    flow = read_flow(HORN).flow
    assert flow is not None
    return flow


def empty() -> Flow:
    return editing.new_flow("horn-silent", "Horn stays silent", "body/horn")


def two_steps() -> Flow:
    flow = editing.add_step(empty(), "press", "Press the button")
    flow = editing.add_outcome(flow, "press", "click", "Relay clicks")
    return editing.add_step(flow, "supply", "Voltage at the connector", test="measure", after=("press", "click"))


def test_a_new_procedure_has_no_step_and_the_first_one_becomes_its_start() -> None:
    flow = empty()
    assert (flow.steps, flow.start) == ((), "")
    assert editing.add_step(flow, "press", "Press the button").start == "press"


def test_a_step_after_an_outcome_stands_behind_its_step_and_is_led_to() -> None:
    flow = editing.add_step(two_steps(), "fuse", "Fuse whole", after=("press", "click"))
    assert [step.key for step in flow.steps] == ["press", "fuse", "supply"]
    assert flow.step_by_key["press"].outcome("click").go == Go(GoKind.STEP, "fuse")


def test_an_end_at_a_cause_gets_the_proof_its_test_gives_and_anything_else_has_none() -> None:
    flow = editing.add_cause(two_steps(), "horn-open", "body/horn/horn", "open circuit")
    flow = editing.add_outcome(flow, "supply", "full", "Full supply")
    at_cause = editing.set_destination(flow, "supply", "full", Go(GoKind.CAUSE, "horn-open"))
    assert at_cause.step_by_key["supply"].outcome("full").proof is Proof.MEASURED
    seen = editing.set_destination(flow, "press", "click", Go(GoKind.CAUSE, "horn-open"))
    assert seen.step_by_key["press"].outcome("click").proof is Proof.SEEN
    away = editing.set_destination(at_cause, "supply", "full", Go(GoKind.HAND_OVER, "horn-control"))
    outcome = away.step_by_key["supply"].outcome("full")
    assert (outcome.go, outcome.proof) == (Go(GoKind.HAND_OVER, "horn-control"), None)


def test_deleting_a_step_leaves_what_led_to_it_leading_nowhere() -> None:
    flow = editing.change_step(two_steps(), "supply", {"needs": ["press"]})
    without = editing.delete_step(flow, "press")
    assert without.start == "supply"
    assert without.step_by_key["supply"].needs == ()
    led = editing.delete_step(flow, "supply").step_by_key["press"].outcome("click")
    assert led.go == Go(GoKind.NOWHERE)


def test_the_only_step_can_be_deleted() -> None:
    flow = editing.delete_step(editing.add_step(empty(), "press", "Press the button"), "press")
    assert flow == empty()


def test_deleting_a_cause_leaves_what_led_to_it_leading_nowhere() -> None:
    flow = editing.delete_cause(horn(), "relay-contacts")
    outcome = flow.step_by_key["supply"].outcome("absent")
    assert (outcome.go, outcome.proof) == (Go(GoKind.NOWHERE), None)


def test_another_key_follows_into_everything_that_names_the_step() -> None:
    flow = editing.rename_step(editing.change_step(two_steps(), "supply", {"needs": ["press"]}), "press", "button")
    assert flow.start == "button"
    assert flow.step_by_key["supply"].needs == ("button",)
    assert editing.rename_step(flow, "supply", "feed").step_by_key["button"].outcome("click").go.key == "feed"


def test_a_reading_without_quantity_is_no_reading() -> None:
    fields = {"quantity": "voltage", "unit": "V", "between": ["pin 1", " "], "loaded": "true"}
    flow = editing.change_reading(two_steps(), "supply", fields)
    assert flow.step_by_key["supply"].reading == ReadingSpec("voltage", "V", ("pin 1",), True)
    assert editing.change_reading(flow, "supply", {"quantity": ""}).step_by_key["supply"].reading is None


def test_steps_outcomes_and_values_move_up_and_down_and_stay_at_the_ends() -> None:
    flow = horn()
    keys = [step.key for step in flow.steps]
    assert [step.key for step in editing.move_step(flow, keys[0], 1).steps] == [keys[1], keys[0], *keys[2:]]
    assert editing.move_step(flow, keys[0], -1) == flow
    outcomes = [one.key for one in editing.move_outcome(flow, "supply", "absent", -1).step_by_key["supply"].outcomes]
    assert outcomes == ["full", "absent", "weak"]
    assert editing.move_value(flow, flow.values[1].key, -1).values[0] == flow.values[1]


def test_what_only_differs_in_outer_blanks_stays_as_it_was() -> None:
    flow = horn()
    assert editing.change_head(flow, {"summary": f"\r\n {flow.summary.strip()}  "}) == flow


def test_several_lines_end_in_a_line_end_and_browsers_line_ends_become_plain_ones() -> None:
    flow = editing.change_step(two_steps(), "press", {"instruction": "One. \r\nTwo."})
    assert flow.step_by_key["press"].instruction == "One.\nTwo.\n"


def test_a_caution_is_added_once() -> None:
    flow = editing.add_caution(two_steps(), "press", "loud-noise")
    assert flow.step_by_key["press"].cautions == ("loud-noise",)
    assert editing.add_caution(flow, "press", "loud-noise") is flow


def test_a_step_that_was_looked_for_is_found_when_it_is_made() -> None:
    flow = read_flow(HORN.replace(b"go: ground}", b"go: wiring}")).flow
    assert flow is not None
    assert "wiring" in editing.node_keys(flow)
    made = editing.add_step(flow, "wiring", "Look along the loom")
    assert made.step_by_key["supply"].outcome("full").go == Go(GoKind.STEP, "wiring")


@pytest.mark.parametrize(
    ("words", "key"),
    [
        ("Voltage at the horn connector, pressed", "voltage-at-the-horn"),
        ("12 V at the plug", "v-at-the-plug"),
        ("Öl prüfen", "ol-prufen"),
        ("  ", "step"),
        ("Out", "out-2"),
        ("Press", "press-2"),
    ],
)
def test_keys_are_made_of_words_and_never_of_taken_ones(words: str, key: str) -> None:
    assert editing.fresh_key(words, {"press"}) == key


REFUSED: list[tuple[Callable[[Flow], Flow], str]] = [
    (lambda flow: editing.add_step(flow, "press", "Again"), "'press' is taken. Choose another key."),
    (lambda flow: editing.add_cause(flow, "press", "body", "dead"), "'press' is taken. Choose another key."),
    (lambda flow: editing.add_outcome(flow, "press", "click", "C"), "'click' is taken. Choose another key."),
    (
        lambda flow: editing.change_step(flow, "press", {"minutes": "2,5"}),
        "'2,5' has a comma. Write 2.5.",
    ),
    (
        lambda flow: editing.change_step(flow, "press", {"title": " "}),
        "A step needs title. Add title: (the test in one line).",
    ),
    (
        lambda flow: editing.change_outcome(flow, "press", "click", {"band": "about 3 V"}),
        "'about 3 V' is not a band. Right would be '< 1 V', '>= 12.4 V', '1 V .. 2 V', "
        "'>= battery - drop * 1.3' or 'over-limit'.",
    ),
    (
        lambda flow: editing.change_step(flow, "press", {"title": "x" * 121}),
        "The text has 121 characters. Use at most 120.",
    ),
]


@pytest.mark.parametrize(("act", "said"), REFUSED)
def test_a_refusal_says_what_would_be_right(act: Callable[[Flow], Flow], said: str) -> None:
    with pytest.raises(EditRefused) as refused:
        act(two_steps())
    assert str(refused.value) == said


MISSING: list[tuple[Callable[[Flow], Flow], str]] = [
    (lambda flow: editing.change_step(flow, "gone", {}), "There is no step 'gone' in this procedure."),
    (lambda flow: editing.delete_outcome(flow, "press", "gone"), "The step 'press' has no outcome 'gone'."),
    (lambda flow: editing.delete_cause(flow, "gone"), "There is no cause 'gone' in this procedure."),
    (lambda flow: editing.delete_value(flow, "gone"), "There is no value 'gone' in this procedure."),
    (
        lambda flow: editing.set_destination(flow, "press", "click", Go(GoKind.CAUSE, "gone")),
        "There is no cause 'gone' in this procedure.",
    ),
    (lambda flow: editing.change_head(flow, {"start": "gone"}), "There is no step 'gone' to start with."),
]


@pytest.mark.parametrize(("act", "said"), MISSING)
def test_what_is_not_there_is_said(act: Callable[[Flow], Flow], said: str) -> None:
    with pytest.raises(KeyNotFound) as missing:
        act(two_steps())
    assert str(missing.value) == said


# Any sequence of actions -----------------------------------------------------------------------------------------

KEYS = ("press", "supply", "ground", "direct", "horn-open", "relay-contacts", "fresh", "other-one", "out", "Bad Key")
TEXTS = st.one_of(
    st.sampled_from(["", " ", "no", "12", "a: b", "Two\r\nlines", "1 V .. 2 V", "< battery * 0.9", "over-limit", "#x"]),
    st.text(max_size=40),
)
FIELDS = (
    *("title", "test", "at", "access", "minutes", "instruction", "tools", "needs", "cautions", "isolates", "picture"),
    *("label", "band", "proof", "note", "component", "mode", "usual", "correction", "price", "also", "ask", "unit"),
    *("from", "to", "compute", "quantity", "between", "loaded", "system", "symptoms", "codes", "platforms"),
    *("summary", "verify", "start"),
)


@st.composite
def actions(draw: st.DrawFn) -> Callable[[Flow], Flow]:
    """Any action with any texts, many of them refused."""
    step, other, outcome = (draw(st.sampled_from(keys)) for keys in (KEYS, KEYS, ("click", "full", "weak", "new-one")))
    fields = draw(st.dictionaries(st.sampled_from(FIELDS), st.one_of(TEXTS, st.lists(TEXTS, max_size=3)), max_size=3))
    words, by = draw(TEXTS), draw(st.sampled_from([-2, -1, 1, 2]))
    after = draw(st.sampled_from([None, (other, outcome)]))
    kind = draw(st.sampled_from(list(GoKind)))
    go = Go(kind) if kind in (GoKind.OUT, GoKind.NOWHERE) else Go(kind, other)
    chosen: list[Callable[[Flow], Flow]] = [
        lambda flow: editing.change_head(flow, fields),
        lambda flow: editing.add_step(flow, step, words, after=after),
        lambda flow: editing.add_step(flow, editing.fresh_key(words, editing.node_keys(flow)), words or "New"),
        lambda flow: editing.change_step(flow, step, fields),
        lambda flow: editing.change_step(flow, step, {"instruction": words}),
        lambda flow: editing.change_reading(flow, step, {"quantity": "voltage", "unit": "V", **fields}),
        lambda flow: editing.rename_step(flow, step, other),
        lambda flow: editing.move_step(flow, step, by),
        lambda flow: editing.delete_step(flow, step),
        lambda flow: editing.add_caution(flow, step, other),
        lambda flow: editing.add_outcome(flow, step, outcome, words),
        lambda flow: editing.change_outcome(flow, step, outcome, fields),
        lambda flow: editing.set_destination(flow, step, outcome, go),
        lambda flow: editing.rename_outcome(flow, step, outcome, other),
        lambda flow: editing.move_outcome(flow, step, outcome, by),
        lambda flow: editing.delete_outcome(flow, step, outcome),
        lambda flow: editing.add_cause(flow, step, "body/horn", words),
        lambda flow: editing.change_cause(flow, step, fields),
        lambda flow: editing.delete_cause(flow, step),
        lambda flow: editing.put_value(flow, "battery", fields),
        lambda flow: editing.move_value(flow, "battery", by),
        lambda flow: editing.delete_value(flow, "battery"),
    ]
    return draw(st.sampled_from(chosen))


@settings(max_examples=examples(60))
@given(st.lists(actions(), max_size=12), st.booleans())
def test_any_sequence_of_actions_can_be_exported_and_read_back_equal(
    sequence: list[Callable[[Flow], Flow]], begun: bool
) -> None:
    flow = horn() if begun else empty()
    for act in sequence:
        try:
            flow = act(flow)
        except (EditRefused, KeyNotFound) as refusal:
            assert str(refusal)
            continue
        text = write_flow(flow)
        assert read_flow(text).flow == flow
        assert len({*flow.step_by_key, *flow.cause_by_key}) == len(flow.steps) + len(flow.causes)
        assert not flow.start or flow.start in flow.step_by_key


@settings(max_examples=examples(40))
@given(st.sampled_from(["press", "supply", "ground", "direct"]), st.sampled_from([-3, -1, 1, 3]))
def test_moving_a_step_changes_no_way(key: str, by: int) -> None:
    flow = horn()
    moved = editing.move_step(flow, key, by)
    assert moved.step_by_key == flow.step_by_key
    assert moved.start == flow.start
