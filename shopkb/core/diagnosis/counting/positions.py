"""Where in a procedure a result was got: on the written way, and by which ways its step is come to; or off it.

Whether a branch was right (the cause lies behind it) is a question only where the steps before it were done: a test
done early, on advice or for what it tells, comes out for causes that the steps before it would have led elsewhere. What
was done off the written way also decides who goes on along it, so from the first departure on nothing is on the written
way any more; up to there who goes on depends on results that lie before, and the jobs that did are like all that came
so far (D. Rubin, Inference and missing data, Biometrika 63, 1976).

A step's position is known by the ways that lead to it, as sets of results: two editions in which it is come to after
the same results, in whatever order, share what was counted there.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from itertools import takewhile
from typing import Final

from shopkb.core.flow.memoize import memoized
from shopkb.core.flow.model import Flow, GoKind
from shopkb.core.flow.paths import order

ASIDE: Final = "aside"
"""The position of a result that was got off the written way."""

MOST_WAYS: Final = 64
"""Where more ways lead to a step, it is known by the steps that lead to it instead, in their order."""

LENGTH: Final = 12

Branch = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Recorded:
    """An answer as it was recorded. ``outcome`` is empty where the step was left out."""

    step: str
    outcome: str
    off_path: bool = False


def on_written_way(recorded: Iterable[Recorded | None]) -> frozenset[Branch]:
    """Steps with their outcomes that were answered on the written way: up to the first answer off it, the first step
    left out, or ``None``, which stands for anything else that was found out meanwhile: a repair, an answer to another
    procedure."""
    answered = takewhile(lambda one: one is not None and bool(one.outcome) and not one.off_path, recorded)
    return frozenset((one.step, one.outcome) for one in answered if one is not None)


def positions(flow: Flow) -> Mapping[str, str]:
    """The position of each step on the written way. Branches that close a loop of a draft are left out of account."""
    return memoized(flow, "_positions", _positions)


def _positions(flow: Flow) -> dict[str, str]:
    ways: dict[str, set[frozenset[Branch]] | None] = {key: set() for key in flow.step_by_key}
    before: dict[str, list[tuple[str, ...]]] = {key: [] for key in flow.step_by_key}
    found: dict[str, str] = {}
    if flow.start in ways:
        ways[flow.start] = {frozenset()}
    for key in order(flow):
        here = ways[key]
        told = [sorted(map(list, way)) for way in here] if here is not None else [list(one) for one in before[key]]
        found[key] = sha256(json.dumps(sorted(told)).encode()).hexdigest()[:LENGTH]
        for outcome in flow.step_by_key[key].outcomes:
            there = outcome.go.key
            if outcome.go.kind is not GoKind.STEP or there not in ways or there in found:
                continue
            before[there].append((found[key], key, outcome.key))
            met = ways[there]
            if here is None or met is None or len(here) + len(met) > MOST_WAYS:
                ways[there] = None
            else:
                met.update(way | {(key, outcome.key)} for way in here)
    return found
