"""The middleware that opens no page before the second factor of a sign-in was given. Costs no query."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib.auth import BACKEND_SESSION_KEY
from django.contrib.auth.signals import user_logged_in
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode

from shopkb.accounts import second_factor
from shopkb.accounts.models import User
from shopkb.accounts.pins import BACKEND

View = Callable[[HttpRequest], HttpResponse]

OPEN = frozenset({"second-factor", "second-factor-set", "logout", "login", "switch", "health", "worker", "jobs:token"})
WORDS = "Give the code of your second factor first; what was not sent is kept on this device."


def begin(sender: object, request: HttpRequest, user: User, **_: object) -> None:
    """A session has just begun: what it still lacks."""
    request.session.pop(second_factor.STATE, None)
    by_pin = request.session.get(BACKEND_SESSION_KEY) == BACKEND
    state = "" if by_pin else second_factor.state_after_password(user)
    if state:
        request.session[second_factor.STATE] = state


user_logged_in.connect(begin, dispatch_uid="second factor of a new session")


class SecondFactorGate:
    """Stands behind the middleware that knows who is signed in."""

    def __init__(self, get_response: View) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, _view: View, _args: tuple[object, ...], _kwargs: dict[str, object]
    ) -> HttpResponseBase | None:
        match, state = request.resolver_match, request.session.get(second_factor.STATE, "")
        if not state or match is None or match.view_name in OPEN:
            return None
        if request.content_type == "application/json" or request.headers.get("HX-Request"):
            return JsonResponse({"error": WORDS}, status=401)
        page = "second-factor" if state == second_factor.DUE else "second-factor-set"
        onward = request.get_full_path() if request.method == "GET" else "/"
        return redirect(f"{reverse(page)}?{urlencode({'next': onward})}")
