"""Log lines for programs: one JSON object a line, on demand (``SHOPKB_LOG_FORMAT=json``), without secrets.

A line never holds what was typed: of a request only its method, path (without the words behind the question mark),
status and the number of whoever is signed in. Known secrets are masked wherever they turn up.
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse

MASK = "***"
SHORTEST_SECRET = 6
requests = logging.getLogger("shopkb.requests")


class JsonLines(logging.Formatter):
    """``time`` (UTC), ``level``, ``name``, ``message``; ``request``, ``status``, ``ms``, ``fault`` where they apply."""

    def format(self, record: logging.LogRecord) -> str:
        fields: dict[str, Any] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "name": record.name,
            "message": record.getMessage(),
        }
        request = getattr(record, "request", None)
        if isinstance(request, HttpRequest):
            fields["request"] = {"method": request.method, "path": request.path, "who": _who(request)}
        status = getattr(record, "status_code", None)
        if status is not None:
            fields["status"] = status
        spent = getattr(record, "ms", None)
        if spent is not None:
            fields["ms"] = spent
        if record.exc_info:
            fields["fault"] = self.formatException(record.exc_info)
        return _masked(json.dumps(fields, ensure_ascii=False, default=str))


def log_requests(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """Middleware: a line at level ``info`` for each request, for whoever sets ``SHOPKB_LOG_LEVEL=INFO``."""

    def respond(request: HttpRequest) -> HttpResponse:
        begun = time.perf_counter()
        response = get_response(request)
        if requests.isEnabledFor(logging.INFO):
            spent = round((time.perf_counter() - begun) * 1000)
            more = {"request": request, "status_code": response.status_code, "ms": spent}
            requests.info("%s %s %s", request.method, request.path, response.status_code, extra=more)
        return response

    return respond


def _who(request: HttpRequest) -> int | None:
    """Only if it is known already: asking may need the database that just failed."""
    return getattr(getattr(request, "_cached_user", None), "pk", None)


def _masked(line: str) -> str:
    secrets = [settings.SECRET_KEY, *(found.get("PASSWORD") or "" for found in settings.DATABASES.values())]
    for secret in secrets:
        if len(secret) >= SHORTEST_SECRET:
            line = line.replace(json.dumps(secret, ensure_ascii=False)[1:-1], MASK)
    return line
