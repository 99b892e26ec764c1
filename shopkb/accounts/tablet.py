"""A tablet that several people use: it locks when it lies idle, and changes hands by PIN.

Whoever signs in with a password may say that the tablet is shared. Until that sign-in runs out, colleagues go on with
their PIN. A shared tablet that nobody touched for ``IDLE_LOCK_MINUTES`` asks for a PIN before anything else; a form
that was sent to it meanwhile is kept on the page and can be sent by the same person afterwards.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.core import signing
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode

View = Callable[[HttpRequest], HttpResponse]

SHARED_UNTIL = "shared_until"
"""Key in the session: until when PINs are taken, as ISO 8601."""
TOUCHED_BY = "touched_by"
"""Key in the session of a random word: a sign of touch from before the last change of hands is worth nothing."""
COOKIE = "touched"
OPEN_WHILE_LOCKED = frozenset({"switch", "logout", "login", "health", "worker", "jobs:token"})
BEHIND_THE_SCENES = frozenset({"jobs:token", "jobs:take-item", "worker", "health", "jobs:pack-step", "jobs:pack-end"})
"""Pages that the device asks for by itself: no sign of a person."""
LARGEST_KEPT = 16 * 1024
LOCKED_WORDS = "This tablet is locked. Unlock it; what was not sent is kept on this device."


class IdleLock:
    """Stands behind the middleware that knows who is signed in. Costs no query."""

    def __init__(self, get_response: View) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if request.resolver_match is None or request.resolver_match.view_name in BEHIND_THE_SCENES:
            return response
        if is_shared(request) and not is_locked(request):
            touch(request, response)
        return response

    def process_view(
        self, request: HttpRequest, _view: View, _args: tuple[object, ...], _kwargs: dict[str, object]
    ) -> HttpResponseBase | None:
        match = request.resolver_match
        if match is None or match.view_name in OPEN_WHILE_LOCKED or not is_shared(request) or not is_locked(request):
            return None
        return _locked(request)


def share(request: HttpRequest, until: datetime) -> None:
    """From now on the tablet changes hands by PIN, until the sign-in with a password runs out."""
    request.session[SHARED_UNTIL] = until.isoformat()
    request.session[TOUCHED_BY] = secrets.token_urlsafe(16)
    request.session.set_expiry(until)
    request._just_unlocked = True  # type: ignore[attr-defined]


def shared_until(request: HttpRequest) -> datetime | None:
    """When PINs end; ``None`` where the tablet is not shared, or not any more."""
    text = request.session.get(SHARED_UNTIL)
    until = datetime.fromisoformat(text) if text else None
    return until if until is not None and until > timezone.now() else None


def is_shared(request: HttpRequest) -> bool:
    return bool(request.session.get(SHARED_UNTIL))


def is_locked(request: HttpRequest) -> bool:
    """Whether nobody touched the shared tablet for too long. A sign of touch that is not ours counts for nothing."""
    if getattr(request, "_just_unlocked", False):
        return False
    if shared_until(request) is None:
        return True
    minutes: int = settings.IDLE_LOCK_MINUTES
    try:
        _signer(request).unsign(request.COOKIES.get(COOKIE, ""), max_age=timedelta(minutes=minutes))
    except signing.BadSignature:
        return True
    return False


def touch(request: HttpRequest, response: HttpResponse) -> None:
    """Note on the device that a person was here now."""
    response.set_cookie(
        COOKIE,
        _signer(request).sign("1"),
        httponly=True,
        samesite="Lax",
        secure=settings.SESSION_COOKIE_SECURE,
    )


def kept_form(request: HttpRequest) -> str:
    """What was sent to a locked tablet, signed, so that it can be sent again by the same person; empty if too large."""
    fields = [(name, text) for name, texts in request.POST.lists() for text in texts if name != "csrfmiddlewaretoken"]
    if sum(len(name) + len(text) for name, text in fields) > LARGEST_KEPT:
        return ""
    told = {"who": request.user.pk, "path": request.get_full_path(), "fields": fields}
    return signing.dumps(told, salt="kept", compress=True)


def read_kept(text: str) -> dict[str, Any] | None:
    """What :func:`kept_form` kept, if it is that and from today."""
    try:
        return signing.loads(text, salt="kept", max_age=timedelta(hours=12)) if text else None
    except signing.BadSignature:
        return None


def _locked(request: HttpRequest) -> HttpResponseBase:
    if request.content_type == "application/json":
        return JsonResponse({"error": LOCKED_WORDS}, status=401)
    if request.headers.get("HX-Request"):
        return HttpResponse(LOCKED_WORDS, status=401, content_type="text/plain; charset=utf-8")
    if request.method == "POST":
        from shopkb.accounts.views import switch_page

        return switch_page(request, kept=kept_form(request))
    return redirect(f"{reverse('switch')}?{urlencode({'next': request.get_full_path()})}")


def _signer(request: HttpRequest) -> signing.TimestampSigner:
    return signing.TimestampSigner(salt=f"touched {request.session.get(TOUCHED_BY)}")
