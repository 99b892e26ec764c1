"""What closed jobs changed in the tallies, told within this process, so that what was worked out from them before is
brought up to date by the difference.

The database says only that something changed (the stamp of the procedure). The door tells here what, once it is
committed. What another process changed, or a rebuild, is not told; then all is worked out afresh, and is as true.
"""

from __future__ import annotations

from collections import OrderedDict, defaultdict
from collections.abc import Mapping
from threading import Lock
from typing import NamedTuple

from shopkb.core.diagnosis.counting.tallies import Tallies

MOST = 256
"""Told changes of one procedure that are kept; whoever is further behind works all out afresh."""

LARGEST = 2000
"""Tallies of one change: more, as of past jobs brought in by the hundred, are not worth keeping."""


class TallyChange(NamedTuple):
    """What was added and what was taken back, both as jobs give them: never below zero."""

    added: Tallies
    taken: Tallies


_told: dict[str, OrderedDict[int, TallyChange]] = defaultdict(OrderedDict)
_lock = Lock()


def record(stamps: Mapping[str, int], change: TallyChange) -> None:
    """After the commit that gave these procedures these stamps."""
    if sum(map(len, change)) > LARGEST:
        return
    with _lock:
        for procedure, number in stamps.items():
            told = _told[procedure]
            told[number] = TallyChange(*(_of(procedure, part) for part in change))
            while len(told) > MOST:
                told.popitem(last=False)


def changes_since(procedure: str, then: int, now: int) -> list[TallyChange] | None:
    """The changes after stamp ``then`` up to ``now``; ``None`` unless every one of them was told."""
    if not 0 <= now - then <= MOST:
        return None
    with _lock:
        told: Mapping[int, TallyChange] = _told.get(procedure, {})
        found = [told[number] for number in range(then + 1, now + 1) if number in told]
    return found if len(found) == now - then else None


def forget() -> None:
    """Nothing was told: for tests, whose databases start their counting afresh."""
    with _lock:
        _told.clear()


def _of(procedure: str, tallies: Tallies) -> Tallies:
    return {key: sums for key, sums in tallies.items() if key.procedure == procedure}
