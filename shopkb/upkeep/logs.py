"""Log lines: for people, and for programs one JSON object a line (``SHOPKB_LOG_FORMAT=json``); without secrets.

What a visitor sends can never look like a line of its own: line ends and signs that steer a terminal are written out.

A line never holds what was typed: of a request only its method, path (without the words behind the question mark),
status and the number of whoever is signed in. Known secrets are masked wherever they turn up.
"""

from __future__ import annotations

import json
import logging
import re
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse

MASK = "***"
SHORTEST_SECRET = 6
requests = logging.getLogger("shopkb.requests")


_STEERS = re.compile("[\x00-\x08\x0a-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""Control characters but the tab, ends of lines and paragraphs, turns of the writing direction, lone surrogates."""


def one_line(text: str) -> str:
    """The text with everything written out that would end its line or steer whatever shows it."""
    return _STEERS.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


class WordLines(logging.Formatter):
    """A line for people; the lines of a fault below it are set in, so that none looks like the beginning of another."""

    def formatMessage(self, record: logging.LogRecord) -> str:
        return _without_secrets(one_line(super().formatMessage(record)))

    def formatException(self, ei: Any) -> str:
        return _set_in(super().formatException(ei))

    def formatStack(self, stack_info: str) -> str:
        return _set_in(super().formatStack(stack_info))

    def format(self, record: logging.LogRecord) -> str:
        kept, record.exc_text = record.exc_text, None  # another format may have left its own
        try:
            return super().format(record)
        finally:
            record.exc_text = kept


class WithoutRefusals(logging.Filter):
    """What somebody may not do is a line, not a fault of the program with its stack."""

    def filter(self, record: logging.LogRecord) -> bool:
        if record.exc_info and isinstance(record.exc_info[1], PermissionDenied):
            record.exc_info, record.exc_text = None, None
        return True


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
        return one_line(_masked(json.dumps(fields, ensure_ascii=False, default=str)))


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


def _set_in(text: str) -> str:
    return "\n".join(f"    {one_line(line)}" for line in _without_secrets(text).split("\n"))


def _masked(line: str) -> str:
    for secret in _secrets():
        line = line.replace(json.dumps(secret, ensure_ascii=False)[1:-1], MASK)
    return line


def _without_secrets(text: str) -> str:
    for secret in _secrets():
        text = text.replace(secret, MASK)
    return text


def _secrets() -> list[str]:
    held = [settings.SECRET_KEY, *(found.get("PASSWORD") or "" for found in settings.DATABASES.values())]
    return [secret for secret in held if len(secret) >= SHORTEST_SECRET]
