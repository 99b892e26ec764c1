"""Checks of hazards: is every hazard of a step covered by a caution that whoever does the step has been shown?"""

from __future__ import annotations

from collections.abc import Iterator

from shopkb.core.flow.checks.catalog_view import Catalog
from shopkb.core.flow.checks.rules import Check, Flaw, at_step, catalog_rule, rule
from shopkb.core.flow.checks.step_hazards import BROUGHT_BY_TEST, HAZARDS, step_hazards, uncovered_hazards
from shopkb.core.flow.findings import Level
from shopkb.core.flow.model import Flow, Step, TestKind
from shopkb.core.flow.paths import always_passed
from shopkb.core.typed_text import quoted, spoken_list

HAZARD_CHECKS: list[Check] = []

STEPS_PER_DANGER = 10
"""A signal word that stands everywhere is read nowhere: one DANGER for every ten steps begun (our own rule)."""

MOST_CAUTIONS = 4
"""Cautions that one step may show in full (our own rule)."""


def left_open(flow: Flow, step: Step, catalog: Catalog) -> frozenset[str]:
    """Hazards of the step that its cautions, and those of the steps which every way to it has passed, leave open."""
    return uncovered_hazards(flow, step, catalog, always_passed(flow, step.key))


def _cover_hint(hazard: str, catalog: Catalog) -> str:
    keys = [key for key, caution in catalog.cautions.items() if hazard in caution.hazards]
    if not keys:
        return "No caution of the catalog covers it: add one there first."
    return f"Add the caution {spoken_list(keys)}."


@rule(
    HAZARD_CHECKS,
    "power-without-isolation",
    "Power applied directly without isolating",
    "Current fed into a part that is still connected runs back into its control unit.",
)
def power_without_isolation(flow: Flow) -> Iterator[Flaw]:
    for step in flow.steps:
        if step.test is TestKind.POWER_DIRECTLY and not step.isolates:
            fault = f"The step {quoted(step.key)} applies power directly, and isolates nothing"
            yield Flaw(at_step(step, "isolates"), fault, "Name what is unplugged first.", step.key)


@catalog_rule(
    HAZARD_CHECKS,
    "power-without-caution",
    "Power applied directly without a caution",
    "Whoever feeds a part from outside must be told of back-feed first.",
)
def power_without_caution(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    for step in flow.steps:
        if step.test is TestKind.POWER_DIRECTLY and "back-feed" in left_open(flow, step, catalog):
            hazard = HAZARDS["back-feed"]
            fault = f"The step {quoted(step.key)} applies power directly without a caution against {hazard}"
            yield Flaw(at_step(step, "cautions"), fault, _cover_hint("back-feed", catalog), step.key)


@catalog_rule(
    HAZARD_CHECKS,
    "ohms-without-caution",
    "Resistance measured without a caution",
    "An ohmmeter on a live circuit reads wrong and can be damaged.",
)
def ohms_without_caution(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    for step in flow.steps:
        if _measures_ohms(step) and "live-ohms" in left_open(flow, step, catalog):
            fault = f"The step {quoted(step.key)} measures resistance without a caution against {HAZARDS['live-ohms']}"
            yield Flaw(at_step(step, "cautions"), fault, _cover_hint("live-ohms", catalog), step.key)


def _measures_ohms(step: Step) -> bool:
    return step.reading is not None and step.reading.quantity == "resistance"


@catalog_rule(
    HAZARD_CHECKS,
    "hazard-uncovered",
    "Hazard without a caution",
    "What can hurt somebody or break something must be said before the step, not after.",
)
def hazard_uncovered(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    for step in flow.steps:
        told_apart = {"back-feed"} if step.test is TestKind.POWER_DIRECTLY else set()
        told_apart |= {"live-ohms"} if _measures_ohms(step) else set()
        for hazard in sorted(left_open(flow, step, catalog) - told_apart):
            words = HAZARDS.get(hazard, hazard)
            fault = f"The step {quoted(step.key)} brings a hazard that no caution covers: {words}"
            yield Flaw(at_step(step, "cautions"), fault, _cover_hint(hazard, catalog), step.key)


@catalog_rule(
    HAZARD_CHECKS,
    "danger-budget",
    "Too many DANGER signs",
    f"A signal word that stands everywhere is read nowhere: one for every {STEPS_PER_DANGER} steps, counted once for a"
    " set-up state.",
    Level.WARNING,
)
def danger_budget(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    signs = len(
        {
            (key, step.access)
            for step in flow.steps
            for key in step.cautions
            if key in catalog.cautions and catalog.cautions[key].signal == "DANGER"
        }
    )
    allowed = -(-len(flow.steps) // STEPS_PER_DANGER)
    if signs > allowed:
        fault = f"DANGER stands {signs} times in {len(flow.steps)} steps, at most {allowed} would be heeded"
        yield Flaw("steps", fault, "Keep it for what can kill; a WARNING serves for the rest.")


@catalog_rule(
    HAZARD_CHECKS,
    "caution-needless",
    "Caution against what the step does not do",
    "A caution that stands where it does not apply teaches people to read none.",
    Level.WARNING,
)
def caution_needless(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    for step in flow.steps:
        brought = step_hazards(step, catalog)
        for number, key in enumerate(step.cautions, start=1):
            covers = catalog.cautions[key].hazards if key in catalog.cautions else frozenset()
            if covers and covers <= BROUGHT_BY_TEST and not covers & brought:
                words = spoken_list([HAZARDS[hazard] for hazard in sorted(covers)], "and")
                fault = f"The step {quoted(step.key)} warns of {words}, which it does not bring"
                hint = "Remove the caution, or name the tool or what is unplugged that brings it."
                yield Flaw(at_step(step, f"cautions.{number}"), fault, hint, step.key)


@rule(
    HAZARD_CHECKS,
    "cautions-many",
    f"More than {MOST_CAUTIONS} cautions at one step",
    "Whoever must read that many before the first instruction reads none of them.",
    Level.WARNING,
)
def cautions_many(flow: Flow) -> Iterator[Flaw]:
    for step in flow.steps:
        if len(step.cautions) > MOST_CAUTIONS:
            fault = f"The step {quoted(step.key)} shows {len(step.cautions)} cautions, at most {MOST_CAUTIONS} are read"
            hint = "Use one caution that covers several hazards, or show those of the set-up state on a step before it."
            yield Flaw(at_step(step, "cautions"), fault, hint, step.key)


@catalog_rule(
    HAZARD_CHECKS,
    "high-voltage-unasked",
    "Engine work on any vehicle, hybrids not asked about",
    "A hybrid starts its engine by itself while hands are at the belt.",
)
def high_voltage_unasked(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    if "any" not in flow.platforms:
        return
    for step in flow.steps:
        if "moving-parts" in step_hazards(step, catalog) and not _told_of_high_voltage(flow, step, catalog):
            fault = f"The step {quoted(step.key)} is done at {HAZARDS['moving-parts']}, on any vehicle"
            hint = "List under platforms: those it is for, without hybrid and electric ones, or show a caution against "
            yield Flaw("platforms", fault, f"{hint}{HAZARDS['high-voltage']} on a step before.", step.key)
            return


def _told_of_high_voltage(flow: Flow, step: Step, catalog: Catalog) -> bool:
    passed = (flow.step_by_key[key] for key in {*always_passed(flow, step.key), step.key})
    shown = {key for before in passed for key in before.cautions if key in catalog.cautions}
    return any("high-voltage" in catalog.cautions[key].hazards for key in shown)
