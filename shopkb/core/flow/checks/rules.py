"""What a check is: a rule with an id, a level and a reason, and the function that finds where a flow breaks it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from shopkb.core.flow.checks.catalog_view import Catalog
from shopkb.core.flow.findings import Finding, Level
from shopkb.core.flow.model import Flow, Outcome, Step


@dataclass(frozen=True, slots=True)
class CheckInfo:
    """A check as it is documented: its id, its level, what it finds, and why that matters."""

    id: str
    level: Level
    title: str
    why: str


@dataclass(frozen=True, slots=True)
class Flaw:
    """One place where a flow breaks a rule; fields as in :class:`~shopkb.core.flow.findings.Finding`."""

    where: str
    message: str
    hint: str
    step: str = ""


Search = Callable[[Flow, Catalog | None], Iterator[Flaw]]


@dataclass(frozen=True, slots=True)
class Check:
    info: CheckInfo
    search: Search

    def findings(self, flow: Flow, catalog: Catalog | None) -> Iterator[Finding]:
        for flaw in self.search(flow, catalog):
            yield Finding(self.info.id, self.info.level, flaw.where, flaw.message, flaw.hint, step=flaw.step)


def rule(
    register: list[Check], identity: str, title: str, why: str, level: Level = Level.ERROR
) -> Callable[[Search], Search]:
    """Add the function below to a register of checks."""

    def enter(search: Search) -> Search:
        register.append(Check(CheckInfo(identity, level, title, why), search))
        return search

    return enter


def at_step(step: Step, part: str = "") -> str:
    """``steps.supply`` or ``steps.supply.reading``."""
    return f"steps.{step.key}.{part}" if part else f"steps.{step.key}"


def at_outcome(step: Step, outcome: Outcome, part: str = "") -> str:
    """``steps.supply.outcomes.full`` or ``steps.supply.outcomes.full.band``."""
    place = f"steps.{step.key}.outcomes.{outcome.key}"
    return f"{place}.{part}" if part else place
