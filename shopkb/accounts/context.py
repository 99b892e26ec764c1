from __future__ import annotations

from django.http import HttpRequest

from shopkb.accounts.roles import Right


def rights(request: HttpRequest) -> dict[str, object]:
    """``may.work``, ``may.write`` ... for templates: what to offer. The doors check again."""
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {"may": {}}
    return {"may": {right.name.lower(): user.may(right) for right in Right}}
