"""Every address of the URL configuration, by name."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from django.urls import get_resolver
from django.urls.resolvers import URLPattern, URLResolver


@dataclass(frozen=True)
class Route:
    """``name`` with its namespaces (the address itself where it has none), and the address as configured."""

    name: str
    address: str


def routes() -> tuple[Route, ...]:
    """All routes, in the order in which they are tried."""
    return tuple(_below(get_resolver(), "", ""))


def _below(resolver: URLResolver, space: str, prefix: str) -> Iterator[Route]:
    for entry in resolver.url_patterns:
        address = prefix + str(entry.pattern)
        if isinstance(entry, URLPattern):
            yield Route(f"{space}{entry.name}" if entry.name else address, address)
        else:
            yield from _below(entry, f"{space}{entry.namespace}:" if entry.namespace else space, address)
