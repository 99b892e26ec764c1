from __future__ import annotations

from django.conf import settings
from django.http import HttpRequest

from shopkb.accounts.roles import Right
from shopkb.accounts.tablet import is_shared


def rights(request: HttpRequest) -> dict[str, object]:
    """``may.work``, ``may.write`` ..., and ``shared_tablet``, for templates: what to offer. The doors check again.

    ``lock_minutes``: how long a shared tablet may lie untouched.
    """
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {"may": {}}
    return {
        "may": {right.name.lower(): user.may(right) for right in Right},
        "shared_tablet": is_shared(request),
        "lock_minutes": settings.IDLE_LOCK_MINUTES,
    }
