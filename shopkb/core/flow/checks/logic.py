"""Logic checks: is every step reached, does every branch end, is every end proven?"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator

from shopkb.core.flow.checks.rules import Check, Flaw, at_outcome, at_step, rule
from shopkb.core.flow.file.scalars import RESERVED_KEYS, did_you_mean
from shopkb.core.flow.findings import Level
from shopkb.core.flow.model import STEP_LIMIT, Flow, GoKind, Outcome, Proof, Step, TestKind
from shopkb.core.flow.paths import always_passed, loops, reachable
from shopkb.core.identifiers import KEY_FORM, NAME_FORM
from shopkb.core.typed_text import quoted, spoken_list

LOGIC: list[Check] = []


@rule(LOGIC, "start-missing", "No start", "Without a first step nobody can follow the procedure.")
def start_missing(flow: Flow) -> Iterator[Flaw]:
    if not flow.start:
        yield Flaw("start", "The procedure has no start", "Write start: and the key of the first step.")
    elif flow.start not in flow.step_by_key:
        near = did_you_mean(flow.start, flow.step_by_key)
        yield Flaw("start", f"{quoted(flow.start)} is not a step", f"{near}Write the key of the first step.")


@rule(LOGIC, "too-many-steps", f"More than {STEP_LIMIT} steps", "Nobody can follow it, and its chart cannot be drawn.")
def too_many_steps(flow: Flow) -> Iterator[Flaw]:
    if len(flow.steps) > STEP_LIMIT:
        yield Flaw(
            "steps",
            f"The procedure has {len(flow.steps)} steps, at most {STEP_LIMIT} are possible",
            "Split it, and hand over from one part to the next.",
        )


def _keys(flow: Flow) -> Iterator[tuple[str, str, str, str]]:
    """Group, noun, key and step of everything that has a key."""
    for step in flow.steps:
        yield "steps", "step", step.key, step.key
    for step, outcome in flow.branches:
        yield at_step(step, "outcomes"), "outcome", outcome.key, step.key
    for cause in flow.causes:
        yield "causes", "cause", cause.key, ""
    for value in flow.values:
        yield "values", "value", value.key, ""


@rule(LOGIC, "key-form", "Key missing or malformed", "Evidence is kept under keys, so each needs a lasting, plain one.")
def key_form(flow: Flow) -> Iterator[Flaw]:
    procedure = ("", "procedure", flow.procedure, "")
    for group, noun, key, step in (procedure, *_keys(flow)):
        form = NAME_FORM if noun == "value" else KEY_FORM
        place = f"{group}.{key}" if group else noun
        article = "an" if noun == "outcome" else "a"
        joint = "underscores" if noun == "value" else "hyphens"
        if not key:
            fault = f"{article.capitalize()} {noun} has no key"
            yield Flaw(place.rstrip("."), fault, "Give it a short key in lower case.", step)
        elif not re.fullmatch(form, key):
            hint = f"Use lower-case letters, digits and single {joint}, a letter first."
            yield Flaw(place, f"{quoted(key)} is not a key for {article} {noun}", hint, step)
        elif key in RESERVED_KEYS and noun in ("step", "cause"):
            yield Flaw(place, f"{quoted(key)} cannot be a key here: go needs the word", "Choose another key.", step)


@rule(LOGIC, "key-twice", "Key used twice", "A branch could not say which of the two it means.")
def key_twice(flow: Flow) -> Iterator[Flaw]:
    for (group, noun, key, step), count in Counter(_keys(flow)).items():
        if count > 1 and key:
            fault = f"{count} {noun}s have the key {quoted(key)}"
            yield Flaw(f"{group}.{key}", fault, "Give each a key of its own.", step)


@rule(LOGIC, "key-collision", "Step and cause with one key", "A branch could not say which of the two it means.")
def key_collision(flow: Flow) -> Iterator[Flaw]:
    for key in flow.cause_by_key:
        if key and key in flow.step_by_key:
            fault = f"{quoted(key)} is the key of a step and of a cause"
            yield Flaw(f"causes.{key}", fault, "Give the cause another key.")


@rule(LOGIC, "step-unreachable", "Step that no way reaches", "It would never be done, and hides a missing branch.")
def step_unreachable(flow: Flow) -> Iterator[Flaw]:
    met = reachable(flow)
    if not met:
        return  # no start: said already
    for step in flow.steps:
        if step.key not in met:
            fault = f"No way from the start reaches the step {quoted(step.key)}"
            yield Flaw(at_step(step), fault, "Lead an outcome to it, or remove it.", step.key)


@rule(LOGIC, "loop", "Loop", "A job could go round for ever; each way must come to an end.")
def loop(flow: Flow) -> Iterator[Flaw]:
    for found in loops(flow):
        way = " > ".join((*found.steps, found.steps[0]))
        yield Flaw(
            f"steps.{found.step}.outcomes.{found.outcome}.go",
            f"This branch closes a loop: {way}",
            "Lead it to a step that has not been done yet, a cause, another procedure, or out.",
            found.step,
        )


@rule(LOGIC, "go-nowhere", "Outcome that leads nowhere", "Whoever gets this result is left standing.")
def go_nowhere(flow: Flow) -> Iterator[Flaw]:
    known = [*flow.step_by_key, *flow.cause_by_key]
    for step, outcome in flow.branches:
        go = outcome.go
        if _arrives(flow, outcome):
            continue
        fault = f"{quoted(go.key)} is neither a step nor a cause" if go.key else "The outcome leads nowhere"
        near = did_you_mean(go.key, known) if go.key else ""
        hint = f"{near}Write the key of a step or cause, hand-over PROCEDURE, or out."
        yield Flaw(at_outcome(step, outcome, "go"), fault, hint, step.key)


def _arrives(flow: Flow, outcome: Outcome) -> bool:
    match outcome.go.kind:
        case GoKind.STEP:
            return outcome.go.key in flow.step_by_key
        case GoKind.CAUSE:
            return outcome.go.key in flow.cause_by_key
        case GoKind.HAND_OVER:
            return bool(outcome.go.key)
        case GoKind.OUT:
            return True
        case _:
            return False


@rule(LOGIC, "hand-over-self", "Hand-over to itself", "It is a loop by another name.")
def hand_over_self(flow: Flow) -> Iterator[Flaw]:
    for step, outcome in flow.branches:
        if outcome.go.kind is GoKind.HAND_OVER and outcome.go.key and outcome.go.key == flow.procedure:
            fault = "The outcome hands over to this procedure itself"
            yield Flaw(at_outcome(step, outcome, "go"), fault, "Name another procedure, or a step.", step.key)


@rule(LOGIC, "step-without-outcomes", "Step without outcomes", "There is no way on from it.")
def step_without_outcomes(flow: Flow) -> Iterator[Flaw]:
    for step in flow.steps:
        if not step.outcomes:
            fault = f"The step {quoted(step.key)} has no outcomes"
            yield Flaw(at_step(step, "outcomes"), fault, "Say what can be found, and where each leads.", step.key)


@rule(LOGIC, "end-without-proof", "End without proof", "A cause counts only with how it was proven.")
def end_without_proof(flow: Flow) -> Iterator[Flaw]:
    for step, outcome in flow.branches:
        if outcome.go.kind is GoKind.CAUSE and outcome.proof is None:
            fault = f"The outcome names the cause {quoted(outcome.go.key)} without its proof"
            hint = "Add proof: seen, measured, substituted or elimination."
            yield Flaw(at_outcome(step, outcome, "proof"), fault, hint, step.key)


FOUND = frozenset({Proof.SEEN, Proof.ELIMINATION})
ALLOWED_PROOFS = {
    TestKind.QUESTION: frozenset({Proof.ELIMINATION}),
    TestKind.SUBSTITUTE: FOUND | {Proof.SUBSTITUTED},
    TestKind.POWER_DIRECTLY: FOUND | {Proof.SUBSTITUTED},
}
"""What a step without a reading proves, by its kind; others only what is :data:`FOUND`. A reading adds measured."""


def proofs_of(step: Step) -> frozenset[Proof]:
    """The proofs that an end of this step can claim."""
    allowed = ALLOWED_PROOFS.get(step.test, FOUND)
    return allowed | {Proof.MEASURED} if step.reading is not None else allowed


@rule(
    LOGIC,
    "proof-beyond-test",
    "Proof that the kind of test cannot give",
    "Measured means that a meter showed it; a glance called so hides which verdicts are only looked at.",
)
def proof_beyond_test(flow: Flow) -> Iterator[Flaw]:
    for step, outcome in flow.branches:
        if outcome.go.kind is not GoKind.CAUSE or outcome.proof is None or outcome.proof in proofs_of(step):
            continue
        fault = f"The outcome says {outcome.proof}, but the step {quoted(step.key)} {_DOES[step.test]}"
        can = spoken_list([proof for proof in Proof if proof in proofs_of(step)])
        hint = f"Say {can}, or prove it by a step that measures or substitutes."
        yield Flaw(at_outcome(step, outcome, "proof"), fault, hint, step.key)


_DOES = {
    TestKind.LOOK: "only looks",
    TestKind.LISTEN: "only listens",
    TestKind.FEEL: "only feels",
    TestKind.QUESTION: "only asks",
    TestKind.COMMAND: "only commands and watches",
    TestKind.MEASURE: "only measures",
    TestKind.SUBSTITUTE: "puts one thing for another and has no reading",
    TestKind.POWER_DIRECTLY: "feeds a part and has no reading",
    TestKind.ACTION: "only does something",
}


@rule(LOGIC, "proof-without-end", "Proof where nothing ends", "Only an end that names a cause proves something.")
def proof_without_end(flow: Flow) -> Iterator[Flaw]:
    for step, outcome in flow.branches:
        if outcome.go.kind is not GoKind.CAUSE and outcome.proof is not None:
            fault = f"The outcome has the proof {outcome.proof}, but names no cause"
            yield Flaw(at_outcome(step, outcome, "proof"), fault, "Remove the proof, or lead to a cause.", step.key)


def _ends(flow: Flow) -> Iterator[tuple[str, Proof | None]]:
    """Cause and proof of every end that some way reaches."""
    met = reachable(flow)
    for step, outcome in flow.branches:
        if step.key in met and outcome.go.kind is GoKind.CAUSE:
            yield outcome.go.key, outcome.proof


@rule(LOGIC, "cause-unreached", "Cause that no way reaches", "The procedure claims a cause that it can never prove.")
def cause_unreached(flow: Flow) -> Iterator[Flaw]:
    ended = {cause for cause, _ in _ends(flow)}
    if not reachable(flow):
        return
    for cause in flow.causes:
        if cause.key not in ended:
            fault = f"No way from the start ends at the cause {quoted(cause.key)}"
            yield Flaw(f"causes.{cause.key}", fault, "Lead an outcome to it, or remove it.")


@rule(
    LOGIC,
    "cause-by-elimination",
    "Cause reached only by elimination",
    "What is left over is a guess: the part may be changed for nothing.",
    Level.WARNING,
)
def cause_by_elimination(flow: Flow) -> Iterator[Flaw]:
    proofs: dict[str, set[Proof | None]] = {}
    for cause, proof in _ends(flow):
        proofs.setdefault(cause, set()).add(proof)
    for cause, given in proofs.items():
        if given == {Proof.ELIMINATION}:
            fault = f"The cause {quoted(cause)} is only ever reached by elimination"
            yield Flaw(f"causes.{cause}", fault, "Add a test that shows it: look, measure or substitute.")


@rule(
    LOGIC,
    "test-decides-nothing",
    "Test that decides nothing",
    "If every result leads to the same place, the minutes are spent for nothing.",
    Level.WARNING,
)
def test_decides_nothing(flow: Flow) -> Iterator[Flaw]:
    for step in flow.steps:
        ways = {outcome.go for outcome in step.outcomes if outcome.go.kind is not GoKind.NOWHERE}
        if len(step.outcomes) > 1 and len(ways) == 1 and _all_lead(step):
            (way,) = ways
            fault = f"All {len(step.outcomes)} outcomes of the step {quoted(step.key)} lead to {way.text()}"
            yield Flaw(at_step(step, "outcomes"), fault, "Lead them to different places, or remove the step.", step.key)


def _all_lead(step: Step) -> bool:
    return all(outcome.go.kind is not GoKind.NOWHERE for outcome in step.outcomes)


@rule(LOGIC, "needs-unknown", "Need that is no step", "What must be done before cannot be found.")
def needs_unknown(flow: Flow) -> Iterator[Flaw]:
    for step, place, need in _needs(flow):
        if need not in flow.step_by_key:
            hint = f"{did_you_mean(need, flow.step_by_key)}Write the key of a step."
            yield Flaw(place, f"{quoted(need)} is not a step", hint, step.key)


@rule(LOGIC, "needs-not-passed", "Need that a way leaves out", "On that way the step would not make sense yet.")
def needs_not_passed(flow: Flow) -> Iterator[Flaw]:
    for step, place, need in _needs(flow):
        if need in flow.step_by_key and step.key in reachable(flow) and need not in always_passed(flow, step.key):
            fault = f"Not every way to the step {quoted(step.key)} passes {quoted(need)}, which it needs"
            yield Flaw(place, fault, "Lead every way through it, or remove the need.", step.key)


def _needs(flow: Flow) -> Iterable[tuple[Step, str, str]]:
    for step in flow.steps:
        for number, need in enumerate(step.needs, start=1):
            yield step, at_step(step, f"needs.{number}"), need
