"""Pages show the shop's customers and jobs: no browser or proxy keeps them after sign-out."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.utils.cache import add_never_cache_headers

View = Callable[[HttpRequest], HttpResponse]


def never_cached(get_response: View) -> View:
    """Mark every answer as not to be stored, unless its view has said otherwise (static files never come here)."""

    def answer(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        if not response.has_header("Cache-Control"):
            add_never_cache_headers(response)
        return response

    return answer
