"""Logic checks: what each finds, word for word, and the sound flow beside it in which it finds nothing."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from shopkb.core.flow.checks import CHECKS, check_flow
from shopkb.core.flow.checks.catalog_view import Catalog
from shopkb.core.flow.checks.catalogue import CATALOG as CATALOG_CHECKS
from shopkb.core.flow.checks.logic import LOGIC
from shopkb.core.flow.model import AskedValue, Flow, Proof, TestKind
from tests.core.flow.builders import CATALOG, cause, flow, measure, outcome, step
from tests.core.flow.file.test_writer import flows
from tests.examples import examples

SEEN, ELIMINATION = Proof.SEEN, Proof.ELIMINATION


def only(identity: str, checked: Flow, catalog: Catalog | None = CATALOG) -> list[str]:
    return [finding.text() for finding in check_flow(checked, catalog) if finding.id == identity]


OPEN = cause("open")
SOUND = flow(
    step("press", outcome("click", "look-on"), outcome("quiet", "hand-over horn-control")),
    step("look-on", outcome("broken", "cause:open", proof=SEEN), outcome("whole", "out"), needs=("press",)),
    causes=[OPEN],
    symptoms=("horn-silent",),
    platforms=("any", "curlew/mk2"),
)

Case = tuple[Flow, list[str]]
CASES: dict[str, Case] = {
    "start-missing": (
        flow(step("press", outcome("on", "out")), start="pres"),
        ["error start-missing at start: 'pres' is not a step. Did you mean 'press'? Write the key of the first step."],
    ),
    "too-many-steps": (
        flow(*(step(f"s{n}", outcome("on", f"s{n + 1}" if n < 200 else "out")) for n in range(201))),
        [
            "error too-many-steps at steps: The procedure has 201 steps, at most 200 are possible."
            " Split it, and hand over from one part to the next."
        ],
    ),
    "key-form": (
        flow(
            step("Press", outcome("", "out"), outcome("a_b", "out")),
            step("out", outcome("on", "out")),
            causes=[cause("")],
            values=[AskedValue("Feed-drop", "Drop", "V")],
        ),
        [
            "error key-form at steps.Press: 'Press' is not a key for a step."
            " Use lower-case letters, digits and single hyphens, a letter first.",
            "error key-form at steps.out: 'out' cannot be a key here: go needs the word. Choose another key.",
            "error key-form at steps.Press.outcomes: An outcome has no key. Give it a short key in lower case.",
            "error key-form at steps.Press.outcomes.a_b: 'a_b' is not a key for an outcome."
            " Use lower-case letters, digits and single hyphens, a letter first.",
            "error key-form at causes: A cause has no key. Give it a short key in lower case.",
            "error key-form at values.Feed-drop: 'Feed-drop' is not a key for a value."
            " Use lower-case letters, digits and single underscores, a letter first.",
        ],
    ),
    "key-twice": (
        flow(
            step("press", outcome("on", "out"), outcome("on", "out")),
            step("press", outcome("off", "out")),
            causes=[OPEN, OPEN],
        ),
        [
            "error key-twice at steps.press: 2 steps have the key 'press'. Give each a key of its own.",
            "error key-twice at steps.press.outcomes.on: 2 outcomes have the key 'on'. Give each a key of its own.",
            "error key-twice at causes.open: 2 causes have the key 'open'. Give each a key of its own.",
        ],
    ),
    "key-collision": (
        flow(step("open", outcome("on", "out")), causes=[OPEN]),
        ["error key-collision at causes.open: 'open' is the key of a step and of a cause. Give the cause another key."],
    ),
    "step-unreachable": (
        flow(step("press", outcome("on", "out")), step("lost", outcome("on", "press"))),
        [
            "error step-unreachable at steps.lost: No way from the start reaches the step 'lost'."
            " Lead an outcome to it, or remove it."
        ],
    ),
    "loop": (
        flow(
            step("press", outcome("on", "supply")),
            step("supply", outcome("on", "ground"), outcome("off", "supply")),
            step("ground", outcome("back", "press"), outcome("on", "out")),
        ),
        [
            "error loop at steps.ground.outcomes.back.go: This branch closes a loop: press > supply > ground > press."
            " Lead it to a step that has not been done yet, a cause, another procedure, or out.",
            "error loop at steps.supply.outcomes.off.go: This branch closes a loop: supply > supply."
            " Lead it to a step that has not been done yet, a cause, another procedure, or out.",
        ],
    ),
    "go-nowhere": (
        flow(
            step("press", outcome("a", "nowhere:pres"), outcome("b", "nowhere:"), outcome("c", "gone")),
        ),
        [
            "error go-nowhere at steps.press.outcomes.a.go: 'pres' is neither a step nor a cause."
            " Did you mean 'press'? Write the key of a step or cause, hand-over PROCEDURE, or out.",
            "error go-nowhere at steps.press.outcomes.b.go: The outcome leads nowhere."
            " Write the key of a step or cause, hand-over PROCEDURE, or out.",
            "error go-nowhere at steps.press.outcomes.c.go: 'gone' is neither a step nor a cause."
            " Write the key of a step or cause, hand-over PROCEDURE, or out.",
        ],
    ),
    "hand-over-self": (
        flow(step("press", outcome("on", "hand-over horn-silent"))),
        [
            "error hand-over-self at steps.press.outcomes.on.go: The outcome hands over to this procedure itself."
            " Name another procedure, or a step."
        ],
    ),
    "step-without-outcomes": (
        flow(step("press")),
        [
            "error step-without-outcomes at steps.press.outcomes: The step 'press' has no outcomes."
            " Say what can be found, and where each leads."
        ],
    ),
    "end-without-proof": (
        flow(step("press", outcome("on", "cause:open")), causes=[OPEN]),
        [
            "error end-without-proof at steps.press.outcomes.on.proof: The outcome names the cause 'open' without its"
            " proof. Add proof: seen, measured, substituted or elimination."
        ],
    ),
    "proof-beyond-test": (
        flow(
            step("ask", outcome("yes", "cause:open", proof=SEEN), outcome("no", "look"), test=TestKind.QUESTION),
            step("look", outcome("dark", "cause:open", proof=Proof.MEASURED), outcome("lit", "swap")),
            step(
                "swap",
                outcome("lit", "cause:open", proof=Proof.SUBSTITUTED),
                outcome("dark", "feed"),
                test=TestKind.SUBSTITUTE,
            ),
            measure("feed", outcome("dead", "cause:open", proof=Proof.SUBSTITUTED), outcome("there", "amps")),
            measure("amps", outcome("none", "cause:open", proof=Proof.MEASURED), outcome("some", "out")),
            causes=[OPEN],
        ),
        [
            "error proof-beyond-test at steps.ask.outcomes.yes.proof: The outcome says seen, but the step 'ask' only"
            " asks. Say elimination, or prove it by a step that measures or substitutes.",
            "error proof-beyond-test at steps.look.outcomes.dark.proof: The outcome says measured, but the step 'look'"
            " only looks. Say elimination or seen, or prove it by a step that measures or substitutes.",
            "error proof-beyond-test at steps.feed.outcomes.dead.proof: The outcome says substituted, but the step"
            " 'feed' only measures. Say elimination, seen or measured, or prove it by a step that measures or"
            " substitutes.",
        ],
    ),
    "proof-without-end": (
        flow(step("press", outcome("on", "out", proof=SEEN))),
        [
            "error proof-without-end at steps.press.outcomes.on.proof: The outcome has the proof seen, but names no"
            " cause. Remove the proof, or lead to a cause."
        ],
    ),
    "cause-unreached": (
        flow(
            step("press", outcome("on", "out")),
            step("lost", outcome("on", "cause:open", proof=SEEN)),
            causes=[OPEN, cause("worn")],
        ),
        [
            "error cause-unreached at causes.open: No way from the start ends at the cause 'open'."
            " Lead an outcome to it, or remove it.",
            "error cause-unreached at causes.worn: No way from the start ends at the cause 'worn'."
            " Lead an outcome to it, or remove it.",
        ],
    ),
    "cause-by-elimination": (
        flow(
            step("press", outcome("a", "cause:open", proof=ELIMINATION), outcome("b", "cause:open", proof=ELIMINATION)),
            causes=[OPEN],
        ),
        [
            "warning cause-by-elimination at causes.open: The cause 'open' is only ever reached by elimination."
            " Add a test that shows it: look, measure or substitute."
        ],
    ),
    "test-decides-nothing": (
        flow(step("press", outcome("a", "on"), outcome("b", "on")), step("on", outcome("a", "out"))),
        [
            "warning test-decides-nothing at steps.press.outcomes: All 2 outcomes of the step 'press' lead to on."
            " Lead them to different places, or remove the step."
        ],
    ),
    "needs-unknown": (
        flow(step("press", outcome("on", "out"), needs=("suply",)), step("supply", outcome("on", "out"))),
        [
            "error needs-unknown at steps.press.needs.1: 'suply' is not a step."
            " Did you mean 'supply'? Write the key of a step."
        ],
    ),
    "needs-not-passed": (
        flow(
            step("press", outcome("a", "supply"), outcome("b", "ground")),
            step("supply", outcome("a", "ground")),
            step("ground", outcome("a", "out"), needs=("press", "supply")),
        ),
        [
            "error needs-not-passed at steps.ground.needs.2: Not every way to the step 'ground' passes 'supply',"
            " which it needs. Lead every way through it, or remove the need."
        ],
    ),
    "system-unknown": (
        flow(step("press", outcome("on", "out")), system="body/hron"),
        [
            "error system-unknown at system: 'body/hron' is not a system of the catalog."
            " Did you mean 'body/horn'? Choose one from the catalog, or add it there first."
        ],
    ),
    "component-unknown": (
        flow(step("press", outcome("on", "out"), at="engine"), causes=[cause("open", "brakes/pads")]),
        [
            "error component-unknown at steps.press.at: 'engine' is not a component of the catalog."
            " Choose one from the catalog, or add it there first.",
            "error component-unknown at causes.open.component: 'brakes/pads' is not a component of the catalog."
            " Choose one from the catalog, or add it there first.",
        ],
    ),
    "access-unknown": (
        flow(step("press", outcome("on", "out"), access="bumper-of")),
        [
            "error access-unknown at steps.press.access: 'bumper-of' is not a set-up state of the catalog."
            " Did you mean 'bumper-off'? Choose one from the catalog, or add it there first."
        ],
    ),
    "caution-unknown": (
        flow(step("press", outcome("on", "out"), cautions=("let-it-cool", "loud"))),
        [
            "error caution-unknown at steps.press.cautions.2: 'loud' is not a caution of the catalog."
            " Choose one from the catalog, or add it there first."
        ],
    ),
    "symptom-unknown": (
        flow(step("press", outcome("on", "out")), symptoms=("horn-silent", "smoke")),
        [
            "error symptom-unknown at symptoms.2: 'smoke' is not a symptom of the catalog."
            " Choose one from the catalog, or add it there first."
        ],
    ),
    "platform-unknown": (
        flow(step("press", outcome("on", "out")), platforms=("any", "godwit")),
        [
            "error platform-unknown at platforms.2: 'godwit' is not a platform of the catalog."
            " Choose one from the catalog, or add it there first."
        ],
    ),
    "procedure-unknown": (
        flow(step("press", outcome("on", "hand-over horn-contrl"))),
        [
            "error procedure-unknown at steps.press.outcomes.on.go: 'horn-contrl' is not a procedure of the catalog."
            " Did you mean 'horn-control'? Choose one from the catalog, or add it there first."
        ],
    ),
}


def test_every_logic_and_catalog_check_has_its_case() -> None:
    assert list(CASES) == [check.info.id for check in (*LOGIC, *CATALOG_CHECKS)]


@pytest.mark.parametrize("identity", CASES)
def test_the_check_finds_what_is_wrong(identity: str) -> None:
    faulty, expected = CASES[identity]
    assert only(identity, faulty) == expected


@pytest.mark.parametrize("identity", CASES)
def test_the_check_finds_nothing_in_a_sound_flow(identity: str) -> None:
    assert only(identity, SOUND) == []


def test_the_sound_flow_is_sound() -> None:
    assert check_flow(SOUND, CATALOG) == ()


def test_without_a_start_it_is_only_said_that_the_start_is_missing() -> None:
    found = [finding.text() for finding in check_flow(flow(step("a", outcome("on", "out")), start=""), CATALOG)]
    said = "error start-missing at start: The procedure has no start. Write start: and the key of the first step."
    assert found == [said]


def test_elimination_beside_another_proof_is_no_guess() -> None:
    made = flow(
        step("press", outcome("a", "cause:open", proof=ELIMINATION), outcome("b", "cause:open", proof=SEEN)),
        causes=[OPEN],
    )
    assert only("cause-by-elimination", made) == []


def test_one_outcome_decides_nothing_and_is_not_meant_to() -> None:
    assert only("test-decides-nothing", flow(step("press", outcome("done", "out")))) == []


def test_without_a_catalog_nothing_is_said_about_its_names() -> None:
    for check in CATALOG_CHECKS:
        assert only(check.info.id, CASES[check.info.id][0], None) == []


def test_errors_come_before_warnings() -> None:
    made = flow(
        step("press", outcome("a", "on"), outcome("b", "on")), step("on", outcome("a", "nowhere:")), measure("lost")
    )
    levels = [finding.level for finding in check_flow(made, CATALOG)]
    assert levels == sorted(levels)
    assert set(levels) == {"error", "warning"}


def test_findings_name_their_step() -> None:
    def steps(identity: str) -> list[str]:
        return [finding.step for finding in check_flow(CASES[identity][0], CATALOG) if finding.id == identity]

    assert steps("loop") == ["ground", "supply"]
    assert steps("key-collision") == [""]


@settings(max_examples=examples(60))
@given(flows())
def test_no_draft_is_too_odd_to_be_checked(draft: Flow) -> None:
    for catalog in (CATALOG, None):
        for finding in check_flow(draft, catalog):
            assert finding.message and finding.hint.endswith(".")
            assert not finding.message.endswith(".")
            assert not finding.step or finding.step in draft.step_by_key


def test_checks_are_documented_once_each() -> None:
    assert len({info.id for info in CHECKS}) == len(CHECKS)
    for info in CHECKS:
        assert info.title[0].isupper() and not info.title.endswith(".")
        assert info.why.endswith(".")
