"""The shop's catalog as the checks see it: a value handed in, so that checks stay pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TypeVar


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
