"""Hazards of a step, and the cautions that cover them.

The systems tree, the access states and the kinds of test bring hazards. A caution covers hazards of its own step,
and of later steps in the same access state.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from shopkb.core.flow.checks.catalog_view import Catalog
from shopkb.core.flow.model import Flow, GoKind, Step, TestKind

HAZARDS: Mapping[str, str] = MappingProxyType(
    {
        "hot-coolant": "hot coolant under pressure",
        "self-starting-fan": "a fan that can start by itself",
        "airbag": "airbag or belt-tensioner circuit",
        "high-voltage": "high voltage above 60 V dc",
        "battery-gas": "gas and acid of a lead-acid battery",
        "battery-short": "short circuit at the battery",
        "lifted-vehicle": "a lifted vehicle overhead",
        "fuel-pressure": "fuel under pressure",
        "back-feed": "current pushed back into a control unit",
        "control-unit-output": "a control unit output earthed or fed",
        "spread-terminal": "a terminal spread by a probe",
        "live-ohms": "an ohmmeter on a live circuit",
        "ammeter-short": "an ammeter lead left in the current socket",
        "hot-parts": "hot exhaust, turbocharger or radiator",
        "moving-parts": "belts and fans of a running engine",
        "exhaust-gas": "exhaust gas indoors",
        "roll-away": "a vehicle that rolls or jumps on starting",
        "refrigerant": "refrigerant under pressure",
        "high-tension": "ignition high tension",
        "stored-force": "a part that moves by spring, hydraulic or motor force",
        "overloaded-lead": "a test lead or socket that carries more than it is rated for",
        "unit-plug": "a control unit's plug taken off or a pin taken out of it",
    }
)
"""Every hazard the checks know, with the words they use for it."""


BROUGHT_BY_TEST = frozenset({"back-feed", "live-ohms", "ammeter-short", "overloaded-lead", "unit-plug"})
"""Hazards that only the kind of test or what it uses brings (:func:`test_hazards`)."""


HARMS_THINGS = frozenset(
    {"spread-terminal", "live-ohms", "ammeter-short", "control-unit-output", "unit-plug", "back-feed"}
)
"""Hazards to the vehicle and the meter; every other one is to people."""


def riskier_ways(flow: Flow, step: Step, catalog: Catalog) -> Mapping[str, frozenset[str]]:
    """Outcomes of a step that lead to a step with hazards to people which this one does not have, with those hazards:
    no way on for somebody who has left this step out because it is not safe."""
    own = step_hazards(step, catalog) | HARMS_THINGS
    ahead = {
        outcome.key: flow.step_by_key[outcome.go.key]
        for outcome in step.outcomes
        if outcome.go.kind is GoKind.STEP and outcome.go.key in flow.step_by_key
    }
    return {key: more for key, after in ahead.items() if (more := step_hazards(after, catalog) - own)}


def test_hazards(step: Step) -> frozenset[str]:
    """Hazards the kind of test itself brings, wherever it is done (common practice, no source).

    Feeding a part from outside can push current back into a control unit; ohms on a live circuit read wrong and can
    harm the meter; an ammeter lead left in its socket shorts the next voltage test, which a clamp cannot; a relay test
    socket carries the load of the relay; a control unit's plug that is opened can be spread, bent or fed wrongly.
    """
    hazards: set[str] = set()
    if step.test is TestKind.POWER_DIRECTLY:
        hazards.add("back-feed")
    if step.reading is not None:
        if step.reading.quantity == "resistance":
            hazards.add("live-ohms")
        if step.reading.quantity == "current" and not _names(step.tools, "clamp"):
            hazards.add("ammeter-short")
    if _names(step.tools, "test socket"):
        hazards.add("overloaded-lead")
    if _names(step.isolates, "control unit"):
        hazards.add("unit-plug")
    return frozenset(hazards)


def _names(things: Iterable[str], words: str) -> bool:
    return any(words in thing.lower() for thing in things)


def step_hazards(step: Step, catalog: Catalog) -> frozenset[str]:
    """All hazards of a step: of its component and the component's systems, its access state, its kind of test."""
    access = catalog.access.get(step.access)
    return catalog.systems.get(step.at, frozenset()) | (access.hazards if access else frozenset()) | test_hazards(step)


def uncovered_hazards(flow: Flow, step: Step, catalog: Catalog, done: Iterable[str]) -> frozenset[str]:
    """Hazards of the step that neither its own cautions cover, nor those of a ``done`` step (by key) in the same access
    state."""
    before = [flow.step_by_key[key] for key in done if key in flow.step_by_key]
    shown = [step, *(other for other in before if other.access == step.access)]
    return step_hazards(step, catalog) - _covered(shown, catalog)


def steps_made_safe(flow: Flow, catalog: Catalog, done: frozenset[str]) -> frozenset[str]:
    """Steps all of whose hazards are covered by their own cautions or by those of a done step in the same access state.

    The same rule as the checks have for every path, asked of the one path that was taken.
    """
    return frozenset(step.key for step in flow.steps if not uncovered_hazards(flow, step, catalog, done))


def steps_as_safe(flow: Flow, catalog: Catalog, step: Step) -> frozenset[str]:
    """Other steps, by key, that bring no hazard which ``step`` does not bring, nor come with a DANGER caution that it
    does not come with."""
    hazards, dangers = step_hazards(step, catalog), _dangers(step, catalog)
    return frozenset(
        other.key
        for other in flow.steps
        if other.key != step.key and step_hazards(other, catalog) <= hazards and _dangers(other, catalog) <= dangers
    )


def _dangers(step: Step, catalog: Catalog) -> frozenset[str]:
    """The step's cautions that are a DANGER, by key; one that the catalog does not know may be."""
    return frozenset(
        key for key in step.cautions if key not in catalog.cautions or catalog.cautions[key].signal == "DANGER"
    )


def safety_prerequisites(flow: Flow, catalog: Catalog) -> dict[str, frozenset[str]]:
    """For each step, the steps of the same access state whose cautions cover what its own leave open: it may not come
    before those among them that stand before it now."""
    return {
        step.key: frozenset(
            other.key
            for other in flow.steps
            if other.key != step.key
            and other.access == step.access
            and (step_hazards(step, catalog) - _covered([step], catalog)) & _covered([other], catalog)
        )
        for step in flow.steps
    }


def _covered(steps: Iterable[Step], catalog: Catalog) -> frozenset[str]:
    """Hazards that the cautions of these steps cover."""
    keys = {key for step in steps for key in step.cautions if key in catalog.cautions}
    return frozenset(hazard for key in keys for hazard in catalog.cautions[key].hazards)
