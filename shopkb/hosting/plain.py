"""What a visitor without TLS sees: on this computer everything, from the network only how to come in with TLS.

Passwords and customers' vehicles never cross the network in the open, and without TLS the step pages would not work
offline. Holds where the service speaks TLS by itself (``settings.TLS_PORT``).
"""

from __future__ import annotations

from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from shopkb.hosting.network import is_this_computer

View = Callable[[HttpRequest], HttpResponse]
IN_THE_OPEN = ("/shop/trust/", "/health/", "/favicon.ico")


class OverTlsOnly:
    """Sends whoever comes from the network in the open to the page that says how to come in; cookies given over TLS
    are for TLS alone."""

    def __init__(self, get_response: View) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if not settings.TLS_PORT:
            return self.get_response(request)
        if request.is_secure():
            response = self.get_response(request)
            for cookie in response.cookies.values():
                cookie["secure"] = True
            return response
        if is_this_computer(request.META.get("REMOTE_ADDR", "")) or request.path.startswith(IN_THE_OPEN):
            return self.get_response(request)
        return redirect("hosting:trust")
