"""Values kept as long as what they rest on stays equal, so that a page is not worked out twice from the same jobs.

Nothing here decides when something is out of date: whoever asks says what the value rests on (the stamp of the
tallies, the jobs that were read, a revision and a catalog), and an old value is given back only for an equal one.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

Value = TypeVar("Value")
_all: list[Memory[object]] = []


class Memory(Generic[Value]):
    """At most ``most`` values by name; the one not asked for longest goes first. Threads may share it."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._held: OrderedDict[Hashable, tuple[object, Value]] = OrderedDict()
        self._lock = Lock()
        _all.append(self)  # type: ignore[arg-type]

    def of(self, name: Hashable, rests_on: object, make: Callable[[], Value]) -> Value:
        """The value of this name, made anew unless the one at hand rests on something equal."""
        with self._lock:
            held = self._held.get(name)
        if held is not None and held[0] == rests_on:
            with self._lock:
                if name in self._held:
                    self._held.move_to_end(name)
            return held[1]
        value = make()
        self.keep(name, rests_on, value)
        return value

    def held(self, name: Hashable, rests_on: object) -> Value | None:
        """The value at hand, or nothing."""
        with self._lock:
            held = self._held.get(name)
        return held[1] if held is not None and held[0] == rests_on else None

    def keep(self, name: Hashable, rests_on: object, value: Value) -> None:
        with self._lock:
            self._held[name] = (rests_on, value)
            self._held.move_to_end(name)
            while len(self._held) > self._most:
                self._held.popitem(last=False)

    def clear(self) -> None:
        with self._lock:
            self._held.clear()


def forget() -> None:
    """Empty every memory of this process: for tests, whose databases start their counting afresh."""
    for memory in _all:
        memory.clear()
