"""What a check is: a rule with an id, a level and a reason, and the function that finds where a flow breaks it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from shopkb.core.flow.checks.catalog_view import Catalog
from shopkb.core.flow.findings import CheckFinding, Level
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
    """One place where a flow breaks a rule; fields as in :class:`~shopkb.core.flow.findings.CheckFinding`."""

    where: str
    message: str
    hint: str
    step: str = ""


FlowSearch = Callable[[Flow], Iterable[Flaw]]
CatalogSearch = Callable[[Flow, Catalog], Iterable[Flaw]]


@dataclass(frozen=True, slots=True)
class Check:
    info: CheckInfo
    search: Callable[[Flow, Catalog | None], Iterable[Flaw]]

    def findings(self, flow: Flow, catalog: Catalog | None) -> Iterator[CheckFinding]:
        for flaw in self.search(flow, catalog):
            yield CheckFinding(self.info.id, self.info.level, flaw.where, flaw.message, flaw.hint, step=flaw.step)


def rule(
    register: list[Check], identity: str, title: str, why: str, level: Level = Level.ERROR
) -> Callable[[FlowSearch], FlowSearch]:
    """Add the function below, which looks at the flow alone, to a register of checks."""

    def enter(search: FlowSearch) -> FlowSearch:
        register.append(Check(CheckInfo(identity, level, title, why), lambda flow, _catalog: search(flow)))
        return search

    return enter


def catalog_rule(
    register: list[Check], identity: str, title: str, why: str, level: Level = Level.ERROR
) -> Callable[[CatalogSearch], CatalogSearch]:
    """Add the function below, which needs the catalog, to a register of checks; without a catalog it finds nothing."""

    def enter(search: CatalogSearch) -> CatalogSearch:
        info = CheckInfo(identity, level, title, why)
        register.append(Check(info, lambda flow, catalog: () if catalog is None else search(flow, catalog)))
        return search

    return enter


def at_step(step: Step, part: str = "") -> str:
    """``steps.supply`` or ``steps.supply.reading``."""
    return f"steps.{step.key}.{part}" if part else f"steps.{step.key}"


def at_outcome(step: Step, outcome: Outcome, part: str = "") -> str:
    """``steps.supply.outcomes.full`` or ``steps.supply.outcomes.full.band``."""
    place = f"steps.{step.key}.outcomes.{outcome.key}"
    return f"{place}.{part}" if part else place
