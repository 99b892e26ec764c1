"""Safety checks: is every hazard of a step covered by a caution that whoever does the step has been shown?"""

from __future__ import annotations

from collections.abc import Iterator

from shopkb.core.flow.checks.hazards import HAZARDS, Catalog, step_hazards
from shopkb.core.flow.checks.rules import Check, Flaw, at_step, rule
from shopkb.core.flow.file.scalars import quoted, spoken_list
from shopkb.core.flow.findings import Level
from shopkb.core.flow.model import Flow, Step, TestKind
from shopkb.core.flow.paths import always_passed

SAFETY: list[Check] = []

STEPS_PER_DANGER = 10
"""A signal word that stands everywhere is read nowhere: one DANGER for every ten steps begun (our own rule)."""


def covered_hazards(flow: Flow, step: Step, catalog: Catalog) -> frozenset[str]:
    """Hazards covered by the step's cautions, or by those of a step with the same access that every way has passed."""
    shown = set(step.cautions)
    for key in always_passed(flow, step.key):
        before = flow.step_by_key[key]
        if before.access == step.access:
            shown.update(before.cautions)
    covers = (catalog.cautions[key].hazards for key in shown if key in catalog.cautions)
    return frozenset().union(*covers)


def _uncovered(flow: Flow, step: Step, catalog: Catalog) -> frozenset[str]:
    return step_hazards(step, catalog) - covered_hazards(flow, step, catalog)


def _cover_hint(hazard: str, catalog: Catalog) -> str:
    keys = [key for key, caution in catalog.cautions.items() if hazard in caution.hazards]
    if not keys:
        return "No caution of the catalog covers it: add one there first."
    return f"Add the caution {spoken_list(keys)}."


@rule(
    SAFETY,
    "power-without-isolation",
    "Power applied directly without isolating",
    "Current fed into a part that is still connected runs back into its control unit.",
)
def power_without_isolation(flow: Flow, _: Catalog | None) -> Iterator[Flaw]:
    for step in flow.steps:
        if step.test is TestKind.POWER_DIRECTLY and not step.isolates:
            said = f"The step {quoted(step.key)} applies power directly, and isolates nothing"
            yield Flaw(at_step(step, "isolates"), said, "Name what is unplugged first.", step.key)


@rule(
    SAFETY,
    "power-without-caution",
    "Power applied directly without a caution",
    "Whoever feeds a part from outside must be told of back-feed first.",
)
def power_without_caution(flow: Flow, catalog: Catalog | None) -> Iterator[Flaw]:
    for step in flow.steps if catalog else ():
        if catalog and step.test is TestKind.POWER_DIRECTLY and "back-feed" in _uncovered(flow, step, catalog):
            hazard = HAZARDS["back-feed"]
            said = f"The step {quoted(step.key)} applies power directly without a caution against {hazard}"
            yield Flaw(at_step(step, "cautions"), said, _cover_hint("back-feed", catalog), step.key)


@rule(
    SAFETY,
    "ohms-without-caution",
    "Resistance measured without a caution",
    "An ohmmeter on a live circuit reads wrong and can be damaged.",
)
def ohms_without_caution(flow: Flow, catalog: Catalog | None) -> Iterator[Flaw]:
    for step in flow.steps if catalog else ():
        if catalog and _measures_ohms(step) and "live-ohms" in _uncovered(flow, step, catalog):
            said = f"The step {quoted(step.key)} measures resistance without a caution against {HAZARDS['live-ohms']}"
            yield Flaw(at_step(step, "cautions"), said, _cover_hint("live-ohms", catalog), step.key)


def _measures_ohms(step: Step) -> bool:
    return step.reading is not None and step.reading.quantity == "resistance"


@rule(
    SAFETY,
    "hazard-uncovered",
    "Hazard without a caution",
    "What can hurt somebody or break something must be said before the step, not after.",
)
def hazard_uncovered(flow: Flow, catalog: Catalog | None) -> Iterator[Flaw]:
    if catalog is None:
        return
    for step in flow.steps:
        told_apart = {"back-feed"} if step.test is TestKind.POWER_DIRECTLY else set()
        told_apart |= {"live-ohms"} if _measures_ohms(step) else set()
        for hazard in sorted(_uncovered(flow, step, catalog) - told_apart):
            words = HAZARDS.get(hazard, hazard)
            said = f"The step {quoted(step.key)} brings a hazard that no caution covers: {words}"
            yield Flaw(at_step(step, "cautions"), said, _cover_hint(hazard, catalog), step.key)


@rule(
    SAFETY,
    "danger-budget",
    "Too many DANGER signs",
    f"A signal word that stands everywhere is read nowhere: one for every {STEPS_PER_DANGER} steps.",
    Level.WARNING,
)
def danger_budget(flow: Flow, catalog: Catalog | None) -> Iterator[Flaw]:
    if catalog is None:
        return
    signs = sum(
        key in catalog.cautions and catalog.cautions[key].signal == "DANGER"
        for step in flow.steps
        for key in step.cautions
    )
    allowed = -(-len(flow.steps) // STEPS_PER_DANGER)
    if signs > allowed:
        said = f"DANGER stands {signs} times in {len(flow.steps)} steps, at most {allowed} would be heeded"
        yield Flaw("steps", said, "Show it once for a set-up state, before the first step that needs it.")
