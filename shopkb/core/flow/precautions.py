"""Which steps may be done now without passing a safety precondition by."""

from __future__ import annotations

from shopkb.core.flow.hazards import Catalog, step_hazards
from shopkb.core.flow.model import Flow, Step


def steps_made_safe(flow: Flow, catalog: Catalog, done: frozenset[str]) -> frozenset[str]:
    """Steps all of whose hazards are covered by their own cautions or by those of a done step in the same access state.

    The same rule as the checks have for every path, asked of the one path that was taken.
    """
    return frozenset(step.key for step in flow.steps if not _open_hazards(flow, step, catalog, done))


def _open_hazards(flow: Flow, step: Step, catalog: Catalog, done: frozenset[str]) -> frozenset[str]:
    passed = [flow.step_by_key[key] for key in done if key in flow.step_by_key]
    given = [step, *(other for other in passed if other.access == step.access)]
    covered = {
        hazard
        for source in given
        for key in source.cautions
        if key in catalog.cautions
        for hazard in catalog.cautions[key].hazards
    }
    return step_hazards(step, catalog) - covered
