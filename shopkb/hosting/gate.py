"""Until a shop is opened at its one-time address, no other page is served."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from shopkb.hosting import first_run

View = Callable[[HttpRequest], HttpResponse]
OPEN = ("/shop/open/", "/shop/trust/", "/health/", "/favicon.ico")
"""Where it is opened, what a monitor asks, and the sign in the browser's tab."""


class OpenedFirst:
    """Answers 503 with a page that says how the shop is opened. Costs one look for a file where it is open."""

    def __init__(self, get_response: View) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if not request.path.startswith(OPEN) and first_run.is_waiting():
            return render(request, "hosting/not_open.html", status=503)
        return self.get_response(request)
