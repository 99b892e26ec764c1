"""Safety checks: what each finds, word for word, and the sound flow beside it in which it finds nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.checks.hazards import HAZARD_CHECKS
from shopkb.core.flow.checks.step_hazards import step_hazards, uncovered_hazards
from shopkb.core.flow.model import Flow, Step, TestKind
from tests.core.flow.builders import CATALOG, flow, measure, outcome, step
from tests.core.flow.checks.test_logic import only


def power(**more: object) -> Step:
    return step("power", outcome("on", "out"), test=TestKind.POWER_DIRECTLY, **more)


def ohms(**more: object) -> Step:
    return measure("ohms", outcome("on", "out"), quantity="resistance", unit="ohm", **more)


def dangers(count: int, steps: int, access: str = "") -> Flow:
    made = [
        step(
            f"s{n}",
            outcome("on", f"s{n + 1}" if n + 1 < steps else "out"),
            access=access or f"state-{n}",
            cautions=("fan-may-start",) if n < count else (),
        )
        for n in range(steps)
    ]
    return flow(*made)


CASES: dict[str, tuple[Flow, list[str], Flow]] = {
    "power-without-isolation": (
        flow(power(cautions=("isolate-before-power",))),
        [
            "error power-without-isolation at steps.power.isolates: The step 'power' applies power directly, and"
            " isolates nothing. Name what is unplugged first."
        ],
        flow(power(cautions=("isolate-before-power",), isolates=("horn connector",))),
    ),
    "power-without-caution": (
        flow(power(isolates=("horn connector",), cautions=("let-it-cool",))),
        [
            "error power-without-caution at steps.power.cautions: The step 'power' applies power directly without a"
            " caution against current pushed back into a control unit. Add the caution isolate-before-power."
        ],
        flow(power(isolates=("horn connector",), cautions=("isolate-before-power",))),
    ),
    "ohms-without-caution": (
        flow(ohms()),
        [
            "error ohms-without-caution at steps.ohms.cautions: The step 'ohms' measures resistance without a caution"
            " against an ohmmeter on a live circuit. Add the caution dead-circuit or ohms-on-dead-parts."
        ],
        flow(ohms(cautions=("ohms-on-dead-parts",))),
    ),
    "hazard-uncovered": (
        flow(step("feel", outcome("on", "out"), at="cooling/fan", access="lifted", cautions=("let-it-cool",))),
        [
            "error hazard-uncovered at steps.feel.cautions: The step 'feel' brings a hazard that no caution covers:"
            " a lifted vehicle overhead. No caution of the catalog covers it: add one there first.",
            "error hazard-uncovered at steps.feel.cautions: The step 'feel' brings a hazard that no caution covers:"
            " a fan that can start by itself. Add the caution fan-may-start.",
        ],
        flow(step("feel", outcome("on", "out"), at="cooling/fan", cautions=("let-it-cool", "fan-may-start"))),
    ),
    "danger-budget": (
        dangers(3, 20),
        [
            "warning danger-budget at steps: DANGER stands 3 times in 20 steps, at most 2 would be heeded."
            " Keep it for what can kill; a WARNING serves for the rest."
        ],
        dangers(3, 20, access="cabin"),
    ),
    "caution-needless": (
        flow(step("look", outcome("on", "out"), cautions=("dead-circuit", "fan-may-start"))),
        [
            "warning caution-needless at steps.look.cautions.1: The step 'look' warns of an ohmmeter on a live circuit,"
            " which it does not bring. Remove the caution, or name the tool or what is unplugged that brings it."
        ],
        flow(ohms(cautions=("dead-circuit", "fan-may-start"))),
    ),
    "cautions-many": (
        flow(step("look", outcome("on", "out"), cautions=("a", "b", "c", "d", "e"))),
        [
            "warning cautions-many at steps.look.cautions: The step 'look' shows 5 cautions, at most 4 are read."
            " Use one caution that covers several hazards, or show those of the set-up state on a step before it."
        ],
        flow(step("look", outcome("on", "out"), cautions=("a", "b", "c", "d"))),
    ),
    "high-voltage-unasked": (
        flow(step("ask", outcome("on", "run")), step("run", outcome("on", "out"), access="running")),
        [
            "error high-voltage-unasked at platforms: The step 'run' is done at belts and fans of a running engine, on"
            " any vehicle. List under platforms: those it is for, without hybrid and electric ones, or show a caution"
            " against high voltage above 60 V dc on a step before."
        ],
        flow(
            step("ask", outcome("on", "run"), cautions=("keep-off",)),
            step("run", outcome("on", "out"), access="running"),
        ),
    ),
}


def test_every_safety_check_has_its_case() -> None:
    assert list(CASES) == [check.info.id for check in HAZARD_CHECKS]


@pytest.mark.parametrize("identity", CASES)
def test_the_check_finds_what_is_wrong(identity: str) -> None:
    faulty, expected, _ = CASES[identity]
    assert only(identity, faulty) == expected


@pytest.mark.parametrize("identity", CASES)
def test_the_check_finds_nothing_in_a_sound_flow(identity: str) -> None:
    assert only(identity, CASES[identity][2]) == []


def hot(key: str, to: str, access: str, *cautions: str, other: str = "") -> Step:
    ways = [outcome("on", to), *([outcome("off", other)] if other else [])]
    return step(key, *ways, at="cooling", access=access, cautions=cautions)


def uncovered(checked: Flow) -> list[str]:
    return [finding.step for finding in check_flow(checked, CATALOG) if finding.id == "hazard-uncovered"]


def test_a_caution_of_a_step_that_every_way_has_passed_covers_the_same_access() -> None:
    assert uncovered(flow(hot("a", "b", "cabin", "let-it-cool"), hot("b", "out", "cabin"))) == []


def test_a_caution_shown_for_another_access_does_not_cover() -> None:
    assert uncovered(flow(hot("a", "b", "cabin", "let-it-cool"), hot("b", "out", "bumper-off"))) == ["b"]


def test_a_caution_that_one_way_leaves_out_does_not_cover() -> None:
    start = step("start", outcome("on", "a"), outcome("off", "b"), access="cabin")
    assert uncovered(flow(start, hot("a", "b", "cabin", "let-it-cool"), hot("b", "out", "cabin"))) == ["b"]


def test_a_caution_of_a_later_step_does_not_cover() -> None:
    assert uncovered(flow(hot("a", "b", "cabin"), hot("b", "out", "cabin", "let-it-cool"))) == ["a"]


def test_only_cautions_of_the_catalog_cover() -> None:
    bare = step("a", outcome("on", "out"), at="cooling/fan", access="lifted")
    careful = replace(bare, cautions=("unheard-of", "fan-may-start", "let-it-cool"))
    hazards = step_hazards(bare, CATALOG)
    assert hazards > {"self-starting-fan", "hot-coolant"}
    assert uncovered_hazards(flow(careful), careful, CATALOG, ()) == hazards - {"self-starting-fan", "hot-coolant"}


def test_an_ammeter_brings_its_own_hazard() -> None:
    made = flow(measure("amps", outcome("on", "out"), quantity="current", unit="A"))
    assert only("hazard-uncovered", made) == [
        "error hazard-uncovered at steps.amps.cautions: The step 'amps' brings a hazard that no caution covers:"
        " an ammeter lead left in the current socket. No caution of the catalog covers it: add one there first."
    ]


def test_a_clamp_has_no_lead_that_could_be_left_in() -> None:
    made = flow(measure("amps", outcome("on", "out"), quantity="current", unit="A", tools=("current clamp",)))
    assert only("hazard-uncovered", made) == []


@pytest.mark.parametrize(
    ("brings", "words"),
    [
        ({"tools": ("relay test socket",)}, "a test lead or socket that carries more than it is rated for"),
        ({"isolates": ("plug of the control unit",)}, "a control unit's plug taken off or a pin taken out of it"),
    ],
)
def test_what_a_step_uses_or_unplugs_brings_its_hazard(brings: dict[str, tuple[str, ...]], words: str) -> None:
    assert only("hazard-uncovered", flow(step("at-relay", outcome("on", "out"), **brings))) == [
        "error hazard-uncovered at steps.at-relay.cautions: The step 'at-relay' brings a hazard that no caution covers:"
        f" {words}. No caution of the catalog covers it: add one there first."
    ]


def test_a_procedure_for_listed_platforms_is_not_asked_about_high_voltage() -> None:
    assert (
        only("high-voltage-unasked", flow(step("a", outcome("on", "out"), access="running"), platforms=("dunlin",)))
        == []
    )


def test_without_a_catalog_only_what_needs_none_is_said() -> None:
    unsafe = flow(power(at="cooling/fan", access="lifted"))
    assert [finding.id for finding in check_flow(unsafe, None)] == ["power-without-isolation"]
