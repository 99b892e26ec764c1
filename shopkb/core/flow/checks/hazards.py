"""Hazards, and the catalog as the checks see it.

The systems tree, the access states and the kinds of test bring hazards; cautions cover them. What the shop's catalog
holds is handed in as a :class:`Catalog` value, so that checks stay pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TypeVar

from shopkb.core.flow.model import Step, TestKind

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
    }
)
"""Every hazard the checks know, with the words they use for it."""


@dataclass(frozen=True, slots=True)
class CautionView:
    """A caution as the checks see it: signal word (DANGER, WARNING, CAUTION, NOTICE) and the hazards it covers."""

    key: str
    signal: str
    hazards: frozenset[str]
    text: str = ""


@dataclass(frozen=True, slots=True)
class AccessView:
    """A set-up state: what it costs to reach (minutes) and the hazards it brings."""

    key: str
    name: str
    minutes: float
    hazards: frozenset[str]


T = TypeVar("T")


def _empty() -> Mapping[str, T]:
    return MappingProxyType({})


@dataclass(frozen=True)
class Catalog:
    """What the shop's catalog holds, by key. ``systems`` maps each path to its hazards, ancestors' included."""

    systems: Mapping[str, frozenset[str]] = field(default_factory=_empty)
    access: Mapping[str, AccessView] = field(default_factory=_empty)
    cautions: Mapping[str, CautionView] = field(default_factory=_empty)
    symptoms: frozenset[str] = frozenset()
    platforms: frozenset[str] = frozenset()
    procedures: frozenset[str] = frozenset()


def test_hazards(step: Step) -> frozenset[str]:
    """Hazards the kind of test itself brings, wherever it is done.

    Feeding a part from outside can push current back into a control unit; ohms on a live circuit read wrong and can
    harm the meter; an ammeter lead left in its socket shorts the next voltage test (common practice, no source).
    """
    hazards: set[str] = set()
    if step.test is TestKind.POWER_DIRECTLY:
        hazards.add("back-feed")
    if step.reading is not None:
        if step.reading.quantity == "resistance":
            hazards.add("live-ohms")
        if step.reading.quantity == "current":
            hazards.add("ammeter-short")
    return frozenset(hazards)


def step_hazards(step: Step, catalog: Catalog) -> frozenset[str]:
    """All hazards of a step: of its component and the component's systems, its access state, its kind of test."""
    access = catalog.access.get(step.access)
    return catalog.systems.get(step.at, frozenset()) | (access.hazards if access else frozenset()) | test_hazards(step)
