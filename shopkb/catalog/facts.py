"""What the catalog holds, as the value that the checks of a procedure take."""

from __future__ import annotations

from collections.abc import Iterable

from shopkb.catalog.models import Access, Caution, Platform, Symptom, System
from shopkb.core.flow.checks.catalog_view import AccessView, Catalog, CautionView


def facts(procedures: Iterable[str] = ()) -> Catalog:
    """The whole catalog in five queries, however large. ``procedures``: keys that a hand-over may name."""
    return Catalog(
        systems=_inherited_hazards(),
        access={
            row.key: AccessView(row.key, row.name, float(row.minutes), frozenset(row.hazards)) for row in _access()
        },
        cautions={
            row.key: CautionView(row.key, row.signal, frozenset(row.hazards), row.text)
            for row in Caution.objects.order_by("key")
        },
        symptoms=frozenset(Symptom.objects.order_by().values_list("key", flat=True)),
        platforms=frozenset(Platform.objects.order_by().values_list("path", flat=True)),
        procedures=frozenset(procedures),
    )


def _access() -> Iterable[Access]:
    return Access.objects.order_by("key")


def _inherited_hazards() -> dict[str, frozenset[str]]:
    """Each path with the hazards of its node and of all above it. Shorter paths come first, so parents are known."""
    hazards: dict[str, frozenset[str]] = {}
    rows = sorted(System.objects.order_by().values_list("path", "hazards"), key=lambda row: row[0].count("/"))
    for path, own in rows:
        above = hazards.get(path.rpartition("/")[0], frozenset())
        hazards[path] = above | frozenset(own)
    return hazards
