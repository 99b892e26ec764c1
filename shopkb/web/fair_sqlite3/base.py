"""SQLite lets whoever asks at the right moment write next: a connection that waits looks again after up to 100 ms, and
one that was just served often comes first again. Threads of one process therefore queue here. Between processes the
file's own lock holds, as ever.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import Any

from django.db.backends.sqlite3 import base
from django.db.utils import OperationalError

LOCKED = "database is locked"
"""SQLite's own words, by which the page for a busy database is chosen."""


class Turns:
    """A lock that is handed on in the order it was asked for."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: deque[threading.Event] = deque()
        self._taken = False

    def take(self, seconds: float) -> bool:
        """Whether it is ours, after at most so many seconds."""
        with self._lock:
            if not self._taken:
                self._taken = True
                return True
            mine = threading.Event()
            self._waiting.append(mine)
        if mine.wait(seconds):
            return True
        with self._lock:
            if mine.is_set():  # handed on in the last moment
                return True
            self._waiting.remove(mine)
            return False

    def give_back(self) -> None:
        """To whoever has waited longest."""
        with self._lock:
            if self._waiting:
                self._waiting.popleft().set()
            else:
                self._taken = False


_turns: dict[str, Turns] = {}
_turns_lock = threading.Lock()


def turns_of(name: str) -> Turns:
    """The queue for this file."""
    with _turns_lock:
        return _turns.setdefault(name, Turns())


class DatabaseWrapper(base.DatabaseWrapper):
    """Holds its turn from the beginning of a transaction to its end, however it ends."""

    _turns: Turns | None = None

    def _start_transaction_under_autocommit(self) -> None:
        """Raises:
        OperationalError: others wrote for as long as the options allow to wait.
        """
        turns = turns_of(str(self.settings_dict["NAME"]))
        if self._turns is None:
            if not turns.take(self.settings_dict["OPTIONS"].get("timeout", 5)):
                raise OperationalError(LOCKED)
            self._turns = turns
        try:
            super()._start_transaction_under_autocommit()  # type: ignore[misc]
        except BaseException:
            self._give_back()
            raise

    def _commit(self) -> Any:
        done = super()._commit()  # type: ignore[misc]
        self._give_back()  # not after an error: the transaction is still open then, and rolled back next
        return done

    def _rollback(self) -> Any:
        try:
            return super()._rollback()  # type: ignore[misc]
        finally:
            self._give_back()

    def _close(self) -> Any:
        try:
            return super()._close()  # type: ignore[misc]
        finally:
            self._give_back()

    def _give_back(self) -> None:
        held, self._turns = self._turns, None
        if held is not None:
            held.give_back()
