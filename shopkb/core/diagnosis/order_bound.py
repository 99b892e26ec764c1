"""A floor under every order of the same tests: no order that exchanges can reach takes fewer expected minutes.

A job that ends rightly at its cause pays for the test that proves it and for all that this test needs first; any other
job pays for one test at least. Where two tests stand in one row, the one in front is paid for by the jobs of the one
behind, so each pair costs at least the cheaper way round. With tests that are never wrong in a single row, the pairs
add up to the best order there is (probability over cost; W. E. Smith 1956, Various optimizers for single-stage
production), and the floor is reached.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from shopkb.core.diagnosis.cause_model import CauseModel
from shopkb.core.diagnosis.counts import OTHER
from shopkb.core.flow.model import Flow, GoKind, Step
from shopkb.core.flow.paths import reachable


def least_minutes(flow: Flow, model: CauseModel, right: float) -> float:
    """Expected minutes below which no order falls that keeps each cause at the test that proves it.

    ``right`` is the least chance of a right end that an order must have. O(steps squared + causes).
    """
    met = [step for step in flow.steps if step.key in reachable(flow)]
    minutes = {step.key: model.tests[model.test_of[flow.procedure, step.key]].minutes for step in met}
    owners = _owners(flow, met)
    chance = {cause: float(model.prior[model.column_of[cause]]) for cause in owners if cause in model.column_of}
    cheapest = {cause: min(_cost(flow, model, step) for step in owners[cause] if step in minutes) for cause in chance}
    named = sum(chance.values())
    sure = {cause: max(0.0, p - max(0.0, named - right)) for cause, p in chance.items()}
    floor, left = sum(sure[cause] * cheapest[cause] for cause in chance), right - sum(sure.values())
    for cause in sorted(chance, key=lambda one: cheapest[one]):
        more = min(max(left, 0.0), chance[cause] - sure[cause])
        floor, left = floor + more * cheapest[cause], left - more
    floor += max(0.0, 1 - max(right, sum(sure.values()))) * min(minutes.values(), default=0.0)
    mass = dict.fromkeys(minutes, 0.0)
    for cause, steps in owners.items():
        if len(steps) == 1 and cause in sure:
            mass[next(iter(steps))] += sure[cause]
    return floor + sum(min(mass[a] * minutes[b], mass[b] * minutes[a]) for a, b in _pairs(flow, met))


def _owners(flow: Flow, steps: list[Step]) -> dict[str, frozenset[str]]:
    """The steps that prove each cause, by its identity."""
    found: dict[str, frozenset[str]] = {}
    for step in steps:
        for outcome in step.outcomes:
            if outcome.go.kind is GoKind.CAUSE and outcome.go.key in flow.cause_by_key:
                identity = flow.cause_by_key[outcome.go.key].identity
                found[identity] = found.get(identity, frozenset()) | {step.key}
    return {cause: steps for cause, steps in found.items() if cause != OTHER}


def _cost(flow: Flow, model: CauseModel, key: str) -> float:
    """Minutes of a step, of all it needs, and of reaching their set-up states once each."""
    wanted = _needed(flow, key) | {key}
    tests = [model.tests[model.test_of[flow.procedure, one]] for one in wanted]
    states = {test.access for test in tests}
    return sum(test.minutes for test in tests) + sum(model.access_minutes.get(state, 0.0) for state in states)


def _needed(flow: Flow, key: str) -> set[str]:
    found: set[str] = set()
    ahead = list(flow.step_by_key[key].needs)
    while ahead:
        one = ahead.pop()
        if one in flow.step_by_key and one not in found:
            found.add(one)
            ahead += flow.step_by_key[one].needs
    return found - {key}


def _pairs(flow: Flow, steps: list[Step]) -> Iterator[tuple[str, str]]:
    """Pairs of tests that stand in one row in every order, neither needing the other."""
    for row in _rows(flow, steps):
        for a, b in combinations(row, 2):
            if a not in _needed(flow, b) and b not in _needed(flow, a):
                yield a, b


def _rows(flow: Flow, steps: list[Step]) -> Iterator[list[str]]:
    """Longest rows of steps that go on by one outcome at most, whose end no further test can pass."""
    onward = {step.key: [one.go.key for one in step.outcomes if one.go.kind is GoKind.STEP] for step in steps}
    coming = [key for ways in onward.values() for key in ways]
    single = {key for key, ways in onward.items() if len(ways) <= 1}
    inside = {ways[0] for key, ways in onward.items() if key in single and ways and coming.count(ways[0]) == 1} - {
        flow.start
    }
    for first in single - (inside & single):
        row = [first]
        while (ways := onward[row[-1]]) and ways[0] in inside and ways[0] in single:
            row.append(ways[0])
        yield row if _closed(onward[row[-1]], inside) else []


def _closed(ways: list[str], inside: set[str]) -> bool:
    """Whether the row ends for good: what follows is reached from elsewhere too, so it passes nothing."""
    return not ways or ways[0] not in inside
