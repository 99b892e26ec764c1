"""What people call a platform: the names from its maker down, joined."""

from __future__ import annotations

from typing import cast

from django.core.cache import cache

from shopkb.catalog.models import Platform

KEY, SECONDS = "platform-names", 60
"""Cached in Django's cache, not in :mod:`shopkb.evidence.cache`: no stamp of the catalog would say when a name changed.
A write forgets it; for as long may another process of the server say an old name."""


def platform_names() -> dict[str, str]:
    """``curlew/dunlin/mk2/rush5`` to ``Curlew Dunlin minibus, Mk 2, from 2014, Rush 5 diesel``. One query."""
    return cast("dict[str, str]", cache.get_or_set(KEY, _read, SECONDS))


def platform_name(path: str) -> str:
    """The full name; the path itself where no such platform is stored. Reads anew what is not known yet."""
    known = platform_names()
    if path and path not in known:
        known = _read()
        cache.set(KEY, known, SECONDS)
    return known.get(path) or path


def forget_platform_names() -> None:
    """After a change of the platforms."""
    cache.delete(KEY)


def _read() -> dict[str, str]:
    own = dict(Platform.objects.order_by().values_list("path", "name"))
    full = {}
    for path in own:
        parts = path.split("/")
        names = [own.get("/".join(parts[:depth]), parts[depth - 1]) for depth in range(1, len(parts) + 1)]
        full[path] = ", ".join([" ".join(names[:2]), *names[2:]])
    return full
