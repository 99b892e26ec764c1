"""Queries by the path of a node: ``body/horn`` stands for itself and all below it."""

from __future__ import annotations

from django.db.models import Q


def path_within(name: str, path: str) -> Q:
    """Rows whose field ``name`` is this path or stands below it; all rows for the empty path.

    The same rule in Python: :func:`shopkb.core.identifiers.is_within`.
    """
    return Q(**{name: path}) | Q(**{f"{name}__startswith": f"{path}/"}) if path else Q()
