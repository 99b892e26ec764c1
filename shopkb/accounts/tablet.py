"""A tablet that several people use: it locks when it lies idle, and changes hands by PIN.

Whoever signs in with a password may say that the tablet is shared. Until that sign-in runs out, colleagues go on with
their PIN. A shared tablet that nobody touched for ``IDLE_LOCK_MINUTES`` asks for a PIN before anything else; a form
that was sent to it meanwhile is kept on the page and can be sent by the same person afterwards.
"""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.core import signing
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

SHARED_UNTIL = "shared_until"
"""Key in the session: until when PINs are taken, as ISO 8601."""
TOUCHED_BY = "touched_by"
"""Key in the session of a random word: a sign of touch from before the last change of hands is worth nothing."""
COOKIE = "touched"
LARGEST_KEPT = 16 * 1024


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
    """Whether the shared tablet was left untouched for too long. A cookie without a valid signature counts as none."""
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
        COOKIE, _signer(request).sign("1"), httponly=True, samesite="Lax", secure=settings.SESSION_COOKIE_SECURE
    )


def kept_form(request: HttpRequest) -> str:
    """What was sent to a locked tablet, signed, so that it can be sent again by the same person; empty if too large."""
    fields = [(name, text) for name, texts in request.POST.lists() for text in texts if name != "csrfmiddlewaretoken"]
    if sum(len(name) + len(text) for name, text in fields) > LARGEST_KEPT:
        return ""
    form_data = {"who": request.user.pk, "path": request.get_full_path(), "fields": fields}
    return signing.dumps(form_data, salt="kept", compress=True)


def read_kept(text: str) -> dict[str, Any] | None:
    """What :func:`kept_form` kept, if it is that and from today."""
    try:
        return signing.loads(text, salt="kept", max_age=timedelta(hours=12)) if text else None
    except signing.BadSignature:
        return None


def _signer(request: HttpRequest) -> signing.TimestampSigner:
    return signing.TimestampSigner(salt=f"touched {request.session.get(TOUCHED_BY)}")
