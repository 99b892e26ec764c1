"""Catalog checks: does everything a flow names exist in the shop's catalog? Without a catalog they find nothing."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from functools import partial

from shopkb.core.flow.checks.catalog_view import Catalog
from shopkb.core.flow.checks.rules import Check, Flaw, at_outcome, at_step, catalog_rule
from shopkb.core.flow.file.scalars import did_you_mean
from shopkb.core.flow.model import Flow, GoKind
from shopkb.core.typed_text import quoted

CATALOG: list[Check] = []
in_catalog = partial(catalog_rule, CATALOG)


def _unknown(where: str, key: str, known: Collection[str], noun: str, step: str = "") -> Iterator[Flaw]:
    if key and key not in known:
        hint = f"{did_you_mean(key, known)}Choose one from the catalog, or add it there first."
        yield Flaw(where, f"{quoted(key)} is not {noun} of the catalog", hint, step)


@in_catalog("system-unknown", "System not in the catalog", "The procedure would not be found where people look.")
def system_unknown(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    yield from _unknown("system", flow.system, catalog.systems, "a system")


@in_catalog("component-unknown", "Component not in the catalog", "Its hazards and its causes would be unknown.")
def component_unknown(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    for step in flow.steps:
        yield from _unknown(at_step(step, "at"), step.at, catalog.systems, "a component", step.key)
    for cause in flow.causes:
        yield from _unknown(f"causes.{cause.key}.component", cause.component, catalog.systems, "a component")


@in_catalog("access-unknown", "Access not in the catalog", "Its minutes and its hazards would be unknown.")
def access_unknown(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    for step in flow.steps:
        yield from _unknown(at_step(step, "access"), step.access, catalog.access, "a set-up state", step.key)
    for point in flow.circuit.points if flow.circuit is not None else ():
        where = f"circuit.points.{point.key}.access"
        yield from _unknown(where, point.access, catalog.access, "a set-up state")


@in_catalog("caution-unknown", "Caution not in the catalog", "It could not be shown before the step.")
def caution_unknown(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    for step in flow.steps:
        for number, caution in enumerate(step.cautions, start=1):
            place = at_step(step, f"cautions.{number}")
            yield from _unknown(place, caution, catalog.cautions, "a caution", step.key)


@in_catalog("symptom-unknown", "Symptom not in the catalog", "The procedure would not be found by it.")
def symptom_unknown(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    for number, symptom in enumerate(flow.symptoms, start=1):
        yield from _unknown(f"symptoms.{number}", symptom, catalog.symptoms, "a symptom")


@in_catalog("platform-unknown", "Platform not in the catalog", "No vehicle would ever match it.")
def platform_unknown(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    for number, platform in enumerate(flow.platforms, start=1):
        if platform != "any":
            yield from _unknown(f"platforms.{number}", platform, catalog.platforms, "a platform")


@in_catalog("procedure-unknown", "Hand-over to an unknown procedure", "Whoever is handed over is left standing.")
def procedure_unknown(flow: Flow, catalog: Catalog) -> Iterator[Flaw]:
    for step, outcome in flow.branches:
        if outcome.go.kind is GoKind.HAND_OVER and outcome.go.key != flow.procedure:
            place = at_outcome(step, outcome, "go")
            yield from _unknown(place, outcome.go.key, catalog.procedures, "a procedure", step.key)
