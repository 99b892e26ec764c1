from __future__ import annotations

from django.conf import settings
from django.http import HttpRequest


def invented(request: HttpRequest) -> dict[str, object]:
    """Whether the pages show the demo world, whose data are invented and say so."""
    return {"invented": settings.WORLD == "demo"}
