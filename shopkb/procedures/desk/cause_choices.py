"""What a writer can point an outcome at: causes of the draft, causes of the catalog, parts that fail in another way."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from shopkb.accounts.models import User
from shopkb.catalog import trees
from shopkb.catalog.models import Cause as CauseRow
from shopkb.catalog.models import System
from shopkb.catalog.path_queries import path_within
from shopkb.core.flow import editing
from shopkb.core.flow.model import Flow, Step
from shopkb.core.flow.names import last_part

SHOWN = 12
"""Choices a search shows at most."""


@dataclass(frozen=True, slots=True)
class CauseChoice:
    """One thing to choose: its ``value`` in the form, the part, how it fails (empty: to be said yet), and its place."""

    value: str
    part: str
    mode: str = ""
    place: str = ""

    @property
    def is_of_the_draft(self) -> bool:
        return self.value.startswith("cause:")

    @property
    def words(self) -> list[str]:
        return re.findall(r"\w+", f"{self.part} {self.mode} {self.place}".casefold())


def found_choices(flow: Flow, step: Step, sought: str) -> list[CauseChoice]:
    """What fits the words best; without words, what the draft has and what is known of the part the step is at.

    Each word sought counts where a word of the choice begins with it; what fits fewer of them is left out.
    """
    every = list(_every_choice(flow))
    words = re.findall(r"\w+", sought.casefold())
    if not words:
        near = f"{step.at or flow.system}/"
        return [one for one in every if one.is_of_the_draft or f"{one.place}/".startswith(near)][:SHOWN]
    fits = [(sum(any(word.startswith(part) for word in one.words) for part in words), one) for one in every]
    best = max((fit for fit, _ in fits), default=0)
    return [one for fit, one in fits if fit and fit == best][:SHOWN]


def catalog_causes(flow: Flow, under: str) -> list[CauseChoice]:
    """The catalog's causes at a part and below it that the draft does not have, in the order of the tree."""
    rows = CauseRow.objects.select_related("component").filter(path_within("component__path", under))
    return list(_of_catalog(flow, rows.order_by("component__tree_id", "component__lft", "mode")))


def _every_choice(flow: Flow) -> Iterable[CauseChoice]:
    names = dict(System.objects.order_by("tree_id", "lft").values_list("path", "name"))
    for cause in flow.causes:
        part = names.get(cause.component, last_part(cause.component))
        yield CauseChoice(f"cause:{cause.key}", part, cause.mode, cause.component)
    yield from _of_catalog(flow, CauseRow.objects.select_related("component").order_by("component__path", "mode"))
    for path, name in names.items():
        yield CauseChoice(f"part:{path}", name, place=path)


def _of_catalog(flow: Flow, rows: Iterable[CauseRow]) -> Iterable[CauseChoice]:
    known = {cause.identity for cause in flow.causes}
    for row in rows:
        if row.identity not in known:
            yield CauseChoice(f"catalog:{row.pk}", row.component.name, row.mode, row.component.path)


def add_part(name: str, under: str, *, by: User) -> System:
    """A new part in the systems tree, through the catalog's own door. The same name at the same place is the same part.

    Raises:
        TreeRefusal: the name or the place is not taken; the sentence says why.
        PermissionDenied: ``by`` may not change the catalog.
    """
    parent = System.objects.filter(path=under).first()
    if parent is None:
        raise trees.FaultyNode("Choose what the new part belongs to.")
    sibling: System
    siblings = list(System.objects.filter(parent=parent))
    for sibling in siblings:
        if sibling.name.casefold() == name.strip().casefold():
            return sibling
    key = editing.fresh_key(name, {one.key for one in siblings}, "part")
    made: System = trees.add(System, key=key, name=name, parent=parent, by=by)
    return made
