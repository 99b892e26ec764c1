"""Values worked out from the tallies of a procedure, brought up to date by what changed since."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from threading import Lock
from typing import Generic, TypeVar

from shopkb.evidence import tally_log
from shopkb.evidence.learning import stamps
from shopkb.evidence.tally_log import TallyChange

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class _Held(Generic[Value]):
    stamp: int
    value: Value


_all: list[UpToDate[object]] = []


class UpToDate(Generic[Value]):
    """At most ``most`` values by name; the one not asked for longest goes first. Threads may share it."""

    def __init__(self, most: int, follow: Callable[[Value, Sequence[TallyChange]], Value | None]) -> None:
        """``follow`` brings a value up to date; ``None`` where only working it out afresh will do."""
        self._most, self._follow = most, follow
        self._held: OrderedDict[Hashable, _Held[Value]] = OrderedDict()
        self._lock = Lock()
        _all.append(self)  # type: ignore[arg-type]

    def of(self, name: Hashable, procedure: str, stamp: int, make: Callable[[], Value]) -> Value:
        """The value of this name when the procedure has this stamp. ``make`` reads the tallies; one query more then."""
        value = self.at_hand(name, procedure, stamp)
        if value is None:
            value = make()
            if stamps((procedure,))[procedure] == stamp:
                self.keep(name, stamp, value)
        return value

    def at_hand(self, name: Hashable, procedure: str, stamp: int) -> Value | None:
        """The same, if it is remembered or can be brought up to date. No query."""
        with self._lock:
            held = self._held.get(name)
        if held is None or held.stamp == stamp:
            return held.value if held is not None else None
        since = tally_log.changes_since(procedure, held.stamp, stamp)
        value = self._follow(held.value, since) if since is not None else None
        if value is not None:
            self.keep(name, stamp, value)
        return value

    def keep(self, name: Hashable, stamp: int, value: Value) -> None:
        """Whoever made the value made sure that the stamp was still this one afterwards: tallies that moved while they
        were read are true enough to show, not to build upon."""
        with self._lock:
            self._held[name] = _Held(stamp, value)
            self._held.move_to_end(name)
            while len(self._held) > self._most:
                self._held.popitem(last=False)

    def clear(self) -> None:
        with self._lock:
            self._held.clear()


def forget() -> None:
    """Empty every such memory of this process: for tests, whose databases start their counting afresh."""
    tally_log.forget()
    for memory in _all:
        memory.clear()
