"""When the database cannot answer: say so plainly and store nothing, instead of a page about a fault of the program."""

from __future__ import annotations

import errno
import logging
import sys

from django.db import InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse
from django.template.loader import render_to_string
from django.views.defaults import server_error

log = logging.getLogger(__name__)

NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})

FULL = (
    "The disk of the computer that keeps the records is full. Tell whoever runs it; nothing of what you sent is stored."
)
BUSY = "Somebody else's work kept the records busy for too long. Nothing of what you sent is stored: send it again."
AWAY = "The records cannot be reached just now. Nothing of what you sent is stored: send it again in a moment."


def error_page(request: HttpRequest) -> HttpResponse:
    """The page for whatever went wrong; a database that cannot answer or a full disk is 503, all else a fault of ours.

    Called while the exception is being handled, wherever it rose: in a page, in the session, in signing in.
    """
    error = sys.exc_info()[1]
    if isinstance(error, OSError) and error.errno in NO_ROOM:
        return _not_now(FULL, error)
    if not isinstance(error, (OperationalError, InterfaceError)):
        return server_error(request)
    return _not_now(message_for(str(error)), error)


def _not_now(message: str, error: BaseException) -> HttpResponse:
    log.error("Nothing could be stored: %s", error)
    body = render_to_string("upkeep/trouble.html", {"why": message})
    return HttpResponse(body, status=503, headers={"Retry-After": "5"})


def message_for(error: str) -> str:
    """What to tell the person for what the database said."""
    lowered = error.lower()
    if "full" in lowered or "no space" in lowered or "disk i/o" in lowered:
        return FULL
    if "locked" in lowered or "lock timeout" in lowered or "deadlock" in lowered:
        return BUSY
    return AWAY
