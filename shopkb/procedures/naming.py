"""Revisions name systems and components by their paths, and what was published never changes: such a node stays."""

from __future__ import annotations

from django.db.models import Q

from shopkb.catalog.trees import StillInUse
from shopkb.procedures.models import Procedure

SHOWN = 3


def refuse_named(path: str) -> None:
    """Refuse to move a system that a revision names, itself or one below it. One query.

    Raises:
        StillInUse: the sentence says which procedures name it and what would be right.
    """
    named = Procedure.objects.filter(
        _at("revisions__system_path", path)
        | _at("revisions__causes__component", path)
        | _at("revisions__steps__at", path)
    )
    titles = list(named.order_by("title").values_list("title", flat=True).distinct())
    if titles:
        listed = ", ".join(titles[:SHOWN])
        more = f" and {len(titles) - SHOWN} more" if len(titles) > SHOWN else ""
        raise StillInUse(
            f"{path} keeps its place: it is named by procedures ({listed}{more}), "
            "and what was published never changes. Add a new node where it belongs and name it in a new revision."
        )


def _at(field: str, path: str) -> Q:
    return Q(**{field: path}) | Q(**{f"{field}__startswith": f"{path}/"})
