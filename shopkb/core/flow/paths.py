"""Paths through a flow: reachable steps, loops, topological order, longest path, dominators.

Everything is computed once for a :class:`Flow` value and kept with it, as its cached properties are. Nothing recurses,
so a draft of any size or shape is safe.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from heapq import heappop, heappush

from shopkb.core.flow.memoize import memoized
from shopkb.core.flow.model import Flow, GoKind

Edge = tuple[str, str]
"""A branch that leads to a step: (step key, outcome key)."""


@dataclass(frozen=True, slots=True)
class Loop:
    """A path that returns to a step: its steps in order, and the branch that closes it."""

    steps: tuple[str, ...]
    step: str
    outcome: str


class _Reachability:
    """The graph of one flow. Steps are visited in the writer's order, so that results are stable."""

    def __init__(self, flow: Flow) -> None:
        self.start = flow.start
        self.index: dict[str, int] = {}
        for step in flow.steps:
            self.index.setdefault(step.key, len(self.index))
        self.edges: dict[str, list[tuple[str, str]]] = {key: [] for key in self.index}
        self.ends: dict[str, set[str]] = {key: set() for key in self.index}
        for step, outcome in flow.branches:
            if outcome.go.kind is GoKind.STEP and outcome.go.key in self.index:
                self.edges[step.key].append((outcome.key, outcome.go.key))
            elif outcome.go.kind is GoKind.CAUSE:
                self.ends[step.key].add(outcome.go.key)

    @cached_property
    def walk(self) -> tuple[tuple[Loop, ...], tuple[str, ...]]:
        """Depth-first search from the start, then from steps not met: the loops, and the steps in finishing order."""
        loops: list[Loop] = []
        finished: list[str] = []
        state: dict[str, str] = {}
        first = [self.start] if self.start in self.index else []
        for root in [*first, *self.index]:
            if root not in state:
                self._walk_from(root, state, loops, finished)
        return tuple(loops), tuple(finished)

    def _walk_from(self, root: str, state: dict[str, str], loops: list[Loop], finished: list[str]) -> None:
        trail, waiting = [root], [iter(self.edges[root])]
        state[root] = "open"
        while trail:
            here = trail[-1]
            for outcome, there in waiting[-1]:
                if there not in state:
                    state[there] = "open"
                    trail.append(there)
                    waiting.append(iter(self.edges[there]))
                    break
                if state[there] == "open":
                    loops.append(Loop(tuple(trail[trail.index(there) :]), here, outcome))
            else:
                state[here] = "done"
                finished.append(here)
                trail.pop()
                waiting.pop()

    @cached_property
    def forward(self) -> dict[str, tuple[str, ...]]:
        """Next steps of each step, each once, without the branches that close a loop."""
        closing = {(loop.step, loop.outcome, loop.steps[0]) for loop in self.walk[0]}
        return {
            key: tuple(dict.fromkeys(there for outcome, there in edges if (key, outcome, there) not in closing))
            for key, edges in self.edges.items()
        }

    @cached_property
    def reachable(self) -> frozenset[str]:
        if self.start not in self.index:
            return frozenset()
        return frozenset(self._closure([self.start]))

    def _closure(self, roots: Iterable[str]) -> set[str]:
        met = set(roots)
        pending = list(met)
        while pending:
            for _, there in self.edges[pending.pop()]:
                if there not in met:
                    met.add(there)
                    pending.append(there)
        return met

    @cached_property
    def order(self) -> tuple[str, ...]:
        into = dict.fromkeys(self.index, 0)
        for nexts in self.forward.values():
            for there in nexts:
                into[there] += 1
        names = list(self.index)
        ready = [self.index[key] for key, count in into.items() if not count]
        ready.sort()
        ordered: list[str] = []
        while ready:
            here = names[heappop(ready)]
            ordered.append(here)
            for there in self.forward[here]:
                into[there] -= 1
                if not into[there]:
                    heappush(ready, self.index[there])
        return tuple(ordered)

    @cached_property
    def depth(self) -> dict[str, int]:
        """Number of steps on the longest path from each step to an end, itself included."""
        depth: dict[str, int] = {}
        for key in reversed(self.order):
            depth[key] = 1 + max((depth[there] for there in self.forward[key]), default=0)
        return depth

    @cached_property
    def causes(self) -> dict[str, frozenset[str]]:
        """Causes that can be reached from each step, iterated to the fixed point, as loops need."""
        found = {key: set(ends) for key, ends in self.ends.items()}
        changed = True
        while changed:
            changed = False
            for key in reversed(self.order):
                before = len(found[key])
                for _, there in self.edges[key]:
                    found[key] |= found[there]
                changed = changed or len(found[key]) != before
        return {key: frozenset(causes) for key, causes in found.items()}

    @cached_property
    def dominators(self) -> dict[str, frozenset[str]]:
        """Data-flow equations of dominators, iterated in finishing order to the fixed point."""
        inside = self.reachable
        coming: dict[str, list[str]] = {key: [] for key in inside}
        for key in inside:
            for _, there in self.edges[key]:
                coming[there].append(key)
        found: dict[str, set[str]] = {self.start: {self.start}} if inside else {}
        order = [key for key in reversed(self.walk[1]) if key in inside and key != self.start]
        changed = True
        while changed:
            changed = False
            for key in order:
                known = [found[before] for before in coming[key] if before in found]
                now = set.intersection(*known) | {key}
                if found.get(key) != now:
                    found[key] = now
                    changed = True
        return {key: frozenset(keys) for key, keys in found.items()}


def _reachability(flow: Flow) -> _Reachability:
    return memoized(flow, "_reachability", _Reachability)


def reachable(flow: Flow) -> frozenset[str]:
    """Keys of the steps on any path from the start, the start included; empty without a start."""
    return _reachability(flow).reachable


def loops(flow: Flow) -> tuple[Loop, ...]:
    """One loop for each branch that leads back to a step on the path to it; empty exactly when there is no loop."""
    return _reachability(flow).walk[0]


def order(flow: Flow) -> tuple[str, ...]:
    """All steps so that each stands after those that lead to it, otherwise in the writer's order.

    Branches that close a loop (:func:`loops`) are left out of account.
    """
    return _reachability(flow).order


def longest(flow: Flow) -> int:
    """Number of steps on the longest path from the start to an end, loops ignored; 0 without a start."""
    return steps_left(flow, flow.start)


def steps_left(flow: Flow, step: str) -> int:
    """Number of steps on the longest path from this step to an end, itself included; 0 for a key that is no step."""
    return _reachability(flow).depth.get(step, 0)


def next_steps(flow: Flow, step: str) -> tuple[str, ...]:
    """The steps this step's outcomes lead to, each once, in the order of the outcomes."""
    return tuple(dict.fromkeys(there for _, there in _reachability(flow).edges.get(step, ())))


def causes_from(flow: Flow, step: str) -> frozenset[str]:
    """Keys of the causes that can still be reached from this step."""
    return _reachability(flow).causes.get(step, frozenset())


def causes_reachable(flow: Flow, step: str, outcome: str) -> frozenset[str]:
    """Keys of the causes that can still be reached once this outcome was found.

    Raises:
        KeyError: the flow has no such step or outcome.
    """
    go = flow.step_by_key[step].outcome(outcome).go
    if go.kind is GoKind.CAUSE:
        return frozenset({go.key})
    return causes_from(flow, go.key) if go.kind is GoKind.STEP else frozenset()


def dominators(flow: Flow) -> Mapping[str, frozenset[str]]:
    """Dominators of each reachable step: the steps on every path to it, itself included."""
    return _reachability(flow).dominators


def always_passed(flow: Flow, step: str) -> frozenset[str]:
    """The steps on every path to this step, without itself; empty for a step that cannot be reached."""
    return dominators(flow).get(step, frozenset()) - {step}
