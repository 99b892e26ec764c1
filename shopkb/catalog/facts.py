"""What the catalog holds, as the value that the checks of a procedure take."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, cast

from django.core.cache import cache

from shopkb.catalog.models import Access, Caution, Platform, SafetyKind, Symptom, System
from shopkb.catalog.platform_names import forget_platform_names
from shopkb.core.flow.checks.catalog_view import AccessView, Catalog, CautionView

REMEMBERED = "catalog-facts"
REMEMBERED_SECONDS = 60
"""For as long may another process of the server advise by the catalog as it was; publication always reads it anew."""


def facts(
    procedures: Iterable[str] = (), instead: Mapping[tuple[str, str], Mapping[str, Any]] | None = None
) -> Catalog:
    """The whole catalog in five queries, however large. ``procedures``: keys that a hand-over may name.

    ``instead``: facts that are only proposed, by kind and key of their entry, to see what would follow from them.
    """
    proposed = instead or {}
    return Catalog(
        systems=_inherited_hazards(proposed),
        access={row.key: _access_view(row, proposed.get((SafetyKind.ACCESS, row.key), {})) for row in _access()},
        cautions={
            row.key: _caution_view(row, proposed.get((SafetyKind.CAUTION, row.key), {}))
            for row in Caution.objects.order_by("key")
        },
        symptoms=frozenset(Symptom.objects.order_by().values_list("key", flat=True)),
        platforms=frozenset(Platform.objects.order_by().values_list("path", flat=True)),
        procedures=frozenset(procedures),
    )


def remembered_facts() -> Catalog:
    """The catalog as advice needs it, from Django's cache: a step page is opened far more often than the catalog
    changes."""
    return cast("Catalog", cache.get_or_set(REMEMBERED, facts, REMEMBERED_SECONDS))


def forget_facts() -> None:
    """After a change of what safety rests on."""
    cache.delete(REMEMBERED)


def forget_catalog() -> None:
    """After any other change of the catalog, and any of its trees."""
    forget_facts()
    forget_platform_names()


def _access_view(row: Access, proposed: Mapping[str, Any]) -> AccessView:
    hazards = frozenset(proposed.get("hazards", row.hazards))
    return AccessView(row.key, proposed.get("name", row.name), float(row.minutes), hazards)


def _caution_view(row: Caution, proposed: Mapping[str, Any]) -> CautionView:
    signal, text = proposed.get("signal", row.signal), proposed.get("text", row.text)
    return CautionView(row.key, signal, frozenset(proposed.get("hazards", row.hazards)), text)


def _access() -> Iterable[Access]:
    return Access.objects.order_by("key")


def _inherited_hazards(proposed: Mapping[tuple[str, str], Mapping[str, Any]]) -> dict[str, frozenset[str]]:
    """Each path with the hazards of its node and of all above it. Shorter paths come first, so parents are known."""
    hazards: dict[str, frozenset[str]] = {}
    rows = sorted(System.objects.order_by().values_list("path", "hazards"), key=lambda row: row[0].count("/"))
    for path, own in rows:
        above = hazards.get(path.rpartition("/")[0], frozenset())
        hazards[path] = above | frozenset(proposed.get((SafetyKind.SYSTEM, path), {}).get("hazards", own))
    return hazards
