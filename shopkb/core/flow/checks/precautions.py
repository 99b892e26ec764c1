"""Which steps may be done now, or before which others, without passing a safety precondition by."""

from __future__ import annotations

from collections.abc import Iterable

from shopkb.core.flow.checks.hazards import Catalog, step_hazards
from shopkb.core.flow.model import Flow, Step


def steps_made_safe(flow: Flow, catalog: Catalog, done: frozenset[str]) -> frozenset[str]:
    """Steps all of whose hazards are covered by their own cautions or by those of a done step in the same access state.

    The same rule as the checks have for every path, asked of the one path that was taken.
    """
    return frozenset(step.key for step in flow.steps if not _open_hazards(flow, step, catalog, done))


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


def _open_hazards(flow: Flow, step: Step, catalog: Catalog, done: frozenset[str]) -> frozenset[str]:
    passed = [flow.step_by_key[key] for key in done if key in flow.step_by_key]
    given = [step, *(other for other in passed if other.access == step.access)]
    return step_hazards(step, catalog) - _covered(given, catalog)


def _covered(steps: Iterable[Step], catalog: Catalog) -> frozenset[str]:
    """Hazards that the cautions of these steps cover."""
    keys = {key for step in steps for key in step.cautions if key in catalog.cautions}
    return frozenset(hazard for key in keys for hazard in catalog.cautions[key].hazards)
