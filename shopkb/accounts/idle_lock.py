"""The middleware that locks a shared tablet left untouched for ``IDLE_LOCK_MINUTES``."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode

from shopkb.accounts.tablet import is_locked, is_shared, kept_form, touch
from shopkb.accounts.views import switch_page

View = Callable[[HttpRequest], HttpResponse]

OPEN_WHILE_LOCKED = frozenset({"switch", "logout", "login", "health", "worker", "jobs:token"})
BEHIND_THE_SCENES = frozenset({
    "jobs:token", "jobs:take-item", "jobs:take-photo", "jobs:take-form", "jobs:take-item-begun",
    "jobs:take-photo-begun", "worker", "health", "jobs:pack-step", "jobs:pack-end", "jobs:pack-repair",
    "jobs:pack-verify", "jobs:pack-finding", "jobs:pack", "jobs:known-vehicles", "jobs:locked",
})  # fmt: skip
"""Views that the device requests without anybody touching it; they do not put off the lock."""
KEEPING_HEADER = "X-Keeping"
"""Says that the device fetches a page by itself, to have it without the network: nobody is at the tablet either."""
OPEN_HEADER = "X-Tablet"
"""Tells the device that the server gave this page to somebody at an unlocked tablet: only that opens its own lock."""
LOCKED_MESSAGE = "This tablet is locked. Unlock it; what was not sent is kept on this device."


class IdleLock:
    """Stands behind the middleware that knows who is signed in. Costs no query."""

    def __init__(self, get_response: View) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if request.resolver_match is None or _behind_the_scenes(request, request.resolver_match.view_name):
            return response
        if is_shared(request) and not is_locked(request):
            touch(request, response)
            response[OPEN_HEADER] = "open"
        return response

    def process_view(
        self, request: HttpRequest, _view: View, _args: tuple[object, ...], _kwargs: dict[str, object]
    ) -> HttpResponseBase | None:
        match = request.resolver_match
        if match is None or match.view_name in OPEN_WHILE_LOCKED or not is_shared(request) or not is_locked(request):
            return None
        return _locked(request)


def _behind_the_scenes(request: HttpRequest, view: str) -> bool:
    return view in BEHIND_THE_SCENES or KEEPING_HEADER in request.headers


def _locked(request: HttpRequest) -> HttpResponseBase:
    if request.content_type == "application/json":
        return JsonResponse({"error": LOCKED_MESSAGE}, status=401)
    if request.headers.get("HX-Request"):
        return HttpResponse(LOCKED_MESSAGE, status=401, content_type="text/plain; charset=utf-8")
    if request.method == "POST":
        return switch_page(request, kept=kept_form(request))
    return redirect(f"{reverse('switch')}?{urlencode({'next': request.get_full_path()})}")
