"""Work that is dear is done by few threads at once, so that the others go on serving pages; who comes on top is told.

The server has a fixed number of threads (:mod:`shopkb.upkeep`). Without a bound a handful of sign-ins or paper forms
holds all of them.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string

View = Callable[[HttpRequest], HttpResponse]
RETRY_SECONDS = 5
MOST_TOGETHER = 6
"""Threads that all slots together may hold, so that two of the server's eight are always there for anything else."""

_held = 0
_held_lock = threading.Lock()


class TooBusy(Exception):
    """Enough of this is being done already. The text is a sentence for the person who asked."""


class Slots:
    """``at_once`` do the work, ``waiting`` more wait for it ``seconds`` at most, and one owner has ``each`` of both."""

    def __init__(self, words: str, *, at_once: int, waiting: int, seconds: float, each: int = 0) -> None:
        self._words, self._seconds, self._each = words, seconds, each
        self._places = threading.BoundedSemaphore(at_once)
        self._most = at_once + waiting
        self._owners: Counter[Hashable] = Counter()
        self._lock = threading.Lock()

    @contextmanager
    def taken(self, owner: Hashable = None) -> Iterator[None]:
        """Do the block in a place of its own.

        Raises:
            TooBusy: too many are at it or wait, this owner among them, or none was done in time.
        """
        with self._lock:
            full = self._owners.total() >= self._most
            if full or (self._each and self._owners[owner] >= self._each) or not _one_more():
                raise TooBusy(self._words)
            self._owners[owner] += 1
        try:
            if not self._places.acquire(timeout=self._seconds):
                raise TooBusy(self._words)
            try:
                yield
            finally:
                self._places.release()
        finally:
            with self._lock:
                self._owners[owner] -= 1
                if not self._owners[owner]:
                    del self._owners[owner]
            _one_less()


def _one_more() -> bool:
    """Whether there is room for one thread more in all slots together; it is counted then."""
    global _held
    with _held_lock:
        room = _held < MOST_TOGETHER
        _held += room
        return room


def _one_less() -> None:
    global _held
    with _held_lock:
        _held -= 1


def few_at_once(slots: Slots) -> Callable[[Callable[..., HttpResponse]], Callable[..., HttpResponse]]:
    """A view that is worked out in these slots, each person's share counted."""

    def around(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
        @wraps(view)
        def inside(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            with slots.taken(request.user.pk):
                return view(request, *args, **kwargs)

        return inside

    return around


class TooBusyPage:
    """The middleware that answers 429 in words where too much is asked at once."""

    def __init__(self, get_response: View) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        if not isinstance(error, TooBusy):
            return None
        response: HttpResponse
        if request.content_type == "application/json":
            response = JsonResponse({"error": str(error)}, status=429)
        else:
            response = HttpResponse(render_to_string("accounts/too_busy.html", {"why": str(error)}), status=429)
        response["Retry-After"] = str(RETRY_SECONDS)
        return response
