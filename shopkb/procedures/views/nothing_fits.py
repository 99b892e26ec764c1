"""What a page offers where no procedure fits a complaint."""

from __future__ import annotations

from uuid import uuid4

from shopkb.procedures.matching import Found
from shopkb.procedures.models import Procedure

METHODS = "circuit"
"""System under which the methods for any circuit stand."""


def nothing_fits(found: Found, *, asked: bool) -> dict[str, object]:
    """Context of ``procedures/_nothing_fits.html``: words nobody speaks of, and general methods. One query where
    something was asked and nothing fits closely, else none."""
    if not asked or not found.nothing_close:
        return {"nothing_close": False}
    methods = Procedure.objects.published().filter(system__path__startswith=METHODS).order_by("title")
    return {
        "nothing_close": True,
        "unfamiliar": found.unfamiliar,
        "methods": list(methods.only("key", "title")),
        "request_id": uuid4(),
    }
