"""Values worked out from the tallies of a procedure, brought up to date by what changed since."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from threading import Lock
from typing import Generic, TypeVar

from shopkb.evidence import changes
from shopkb.evidence.changes import Change
from shopkb.evidence.learning import stamp_of

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class _Held(Generic[Value]):
    stamp: int
    value: Value


_all: list[UpToDate[object]] = []


class UpToDate(Generic[Value]):
    """At most ``most`` values by name; the one not asked for longest goes first. Threads may share it."""

    def __init__(self, most: int, follow: Callable[[Value, Sequence[Change]], Value | None]) -> None:
        """``follow`` brings a value up to date; ``None`` where only working it out afresh will do."""
        self._most, self._follow = most, follow
        self._held: OrderedDict[Hashable, _Held[Value]] = OrderedDict()
        self._lock = Lock()
        _all.append(self)  # type: ignore[arg-type]

    def of(self, name: Hashable, procedure: str, stamp: int, make: Callable[[], Value]) -> Value:
        """The value of this name when the procedure has this stamp. ``make`` reads the tallies; one query more then."""
        with self._lock:
            held = self._held.get(name)
        if held is not None and held.stamp == stamp:
            return held.value
        value = self._followed(held, procedure, stamp)
        if value is None:
            value = make()
            if _stamp(procedure) != stamp:
                return value  # tallies that moved while they were read are true enough to show, not to build upon
        with self._lock:
            self._held[name] = _Held(stamp, value)
            self._held.move_to_end(name)
            while len(self._held) > self._most:
                self._held.popitem(last=False)
        return value

    def _followed(self, held: _Held[Value] | None, procedure: str, stamp: int) -> Value | None:
        since = changes.since(procedure, held.stamp, stamp) if held is not None else None
        return None if held is None or since is None else self._follow(held.value, since)

    def clear(self) -> None:
        with self._lock:
            self._held.clear()


def forget() -> None:
    """Empty every such memory of this process: for tests, whose databases start their counting afresh."""
    changes.forget()
    for memory in _all:
        memory.clear()


def _stamp(procedure: str) -> int:
    return stamp_of(procedure).values_list("stamp", flat=True).first() or 0
