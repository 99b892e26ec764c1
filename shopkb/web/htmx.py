"""One view, two answers: the whole page, or the part that htmx asked for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.cache import patch_vary_headers
from django_htmx.middleware import HtmxDetails


def wants_part(request: HttpRequest) -> bool:
    """True when htmx will swap the answer into a page that is already there."""
    details: HtmxDetails | None = getattr(request, "htmx", None)
    return details is not None and bool(details) and not details.boosted and not details.history_restore_request


def render_page_or_part(
    request: HttpRequest, page: str, part: str, context: Mapping[str, Any] | None = None, *, status: int = 200
) -> HttpResponse:
    """Render template ``part`` for htmx, ``page`` for everybody else; caches keep the two apart (``Vary``)."""
    response = render(request, part if wants_part(request) else page, dict(context or {}), status=status)
    patch_vary_headers(response, ("HX-Request", "HX-Boosted", "HX-History-Restore-Request"))
    return response
