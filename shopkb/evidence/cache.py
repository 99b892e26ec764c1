"""The cache of computed values, and the law that all of its users keep.

1. A value is kept under a name, together with what it depends on: the stamp of the tallies it was counted from, the
   jobs that were read, a revision, a catalog. It is given back only for an equal dependency, however old it is.
2. A value counted from tallies is kept only if their stamp was still the same after they were read.
3. Where the changes of the tallies since then are known (:mod:`shopkb.evidence.tally_log`), a kept value is updated by
   them, which gives what counting afresh gives; otherwise it is computed anew.
4. Each cache holds a bounded number of values; the one asked for least recently goes first. Threads share it.
5. With ``REMEMBER_FIGURES`` off nothing is kept and nothing kept before is given back, and every page says the same.

What Django's own cache holds (drawings, names of platforms, the catalog as advice needs it) says where it is kept why
it stands outside this law.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from threading import Lock
from typing import Any, Generic, TypeVar

from django.conf import settings

from shopkb.evidence import tally_log
from shopkb.evidence.learning import stamps
from shopkb.evidence.tally_log import TallyChange

Value = TypeVar("Value")
_caches: list[Cache[Any]] = []


class Cache(Generic[Value]):
    """At most ``size`` values by name, each with what it depends on."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._entries: OrderedDict[Hashable, tuple[object, Value]] = OrderedDict()
        self._lock = Lock()
        _caches.append(self)

    def of(self, name: Hashable, depends_on: object, make: Callable[[], Value]) -> Value:
        """The value of ``name``: the one kept if it depends on something equal, else the result of ``make``."""
        entry = self.entry(name)
        if entry is not None and entry[0] == depends_on:
            return entry[1]
        value = make()
        self.keep(name, depends_on, value)
        return value

    def get(self, name: Hashable, depends_on: object) -> Value | None:
        """The value of ``name`` if it is kept and depends on something equal."""
        entry = self.entry(name)
        return entry[1] if entry is not None and entry[0] == depends_on else None

    def entry(self, name: Hashable) -> tuple[object, Value] | None:
        """What is kept under ``name``: what it depends on, and the value."""
        if not settings.REMEMBER_FIGURES:
            return None
        with self._lock:
            entry = self._entries.get(name)
            if entry is not None:
                self._entries.move_to_end(name)
        return entry

    def keep(self, name: Hashable, depends_on: object, value: Value) -> None:
        if not settings.REMEMBER_FIGURES:
            return
        with self._lock:
            self._entries[name] = (depends_on, value)
            self._entries.move_to_end(name)
            while len(self._entries) > self._size:
                self._entries.popitem(last=False)

    def clear(self) -> None:
        with self._lock:
            self._entries.clear()

    def __len__(self) -> int:
        return len(self._entries)


class TallyCache(Cache[Value]):
    """Values counted from the tallies of one procedure, updated by what closed jobs changed since."""

    def __init__(self, size: int, update: Callable[[Value, Sequence[TallyChange]], Value | None]) -> None:
        """``update`` applies changes to a value; it gives ``None`` where only counting afresh will do."""
        super().__init__(size)
        self._update = update

    def counted(self, name: Hashable, procedure: str, stamp: int, make: Callable[[], Value]) -> Value:
        """The value of ``name`` at this stamp of the procedure. ``make`` reads the tallies; one query more then."""
        value = self.at_stamp(name, procedure, stamp)
        if value is None:
            value = make()
            if stamps((procedure,))[procedure] == stamp:
                self.keep(name, stamp, value)
        return value

    def at_stamp(self, name: Hashable, procedure: str, stamp: int) -> Value | None:
        """The same if it is kept, or can be updated. No query."""
        entry = self.entry(name)
        if entry is None:
            return None
        kept, value = entry
        if kept == stamp:
            return value
        changes = tally_log.changes_since(procedure, kept, stamp) if isinstance(kept, int) else None
        updated = self._update(value, changes) if changes is not None else None
        if updated is not None:
            self.keep(name, stamp, updated)
        return updated


def clear_all() -> None:
    """Empty every cache of this process: for tests, whose databases begin their stamps afresh."""
    tally_log.forget()
    for cache in _caches:
        cache.clear()
