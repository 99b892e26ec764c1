"""Log of the latest changes of the tallies in this process, by which cached counts are updated instead of recounted.

The database has a stamp for each procedure, which says that something changed; this log says what, once it is
committed. Changes by another process, and a rebuild, are not in it: counts are then made anew from all tallies, with
equal results.
"""

from __future__ import annotations

from collections import OrderedDict, defaultdict
from collections.abc import Mapping
from threading import Lock
from typing import NamedTuple

from shopkb.core.diagnosis.counting.tallies import Tallies

MOST = 256
"""Changes that are kept for one procedure; counts further behind are made anew."""

LARGEST = 2000
"""Most tallies of a change that is kept; an import of past jobs has more, and a recount costs less than that."""


class TallyChange(NamedTuple):
    """Tallies added and tallies taken back, both as jobs give them: never below zero."""

    added: Tallies
    taken: Tallies


_changes: dict[str, OrderedDict[int, TallyChange]] = defaultdict(OrderedDict)
_lock = Lock()


def record(stamps: Mapping[str, int], change: TallyChange) -> None:
    """Log a change; called after the commit that gave these procedures these stamps."""
    if sum(map(len, change)) > LARGEST:
        return
    with _lock:
        for procedure, number in stamps.items():
            kept = _changes[procedure]
            kept[number] = TallyChange(*(_of(procedure, part) for part in change))
            while len(kept) > MOST:
                kept.popitem(last=False)


def changes_since(procedure: str, then: int, now: int) -> list[TallyChange] | None:
    """The changes after stamp ``then`` up to ``now``; ``None`` unless all of them are in the log."""
    if not 0 <= now - then <= MOST:
        return None
    with _lock:
        kept: Mapping[int, TallyChange] = _changes.get(procedure, {})
        found = [kept[number] for number in range(then + 1, now + 1) if number in kept]
    return found if len(found) == now - then else None


def forget() -> None:
    """Empty the log: for tests, whose databases begin their stamps afresh."""
    with _lock:
        _changes.clear()


def _of(procedure: str, tallies: Tallies) -> Tallies:
    return {key: sums for key, sums in tallies.items() if key.procedure == procedure}
