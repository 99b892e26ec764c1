"""Hand-overs: to which procedures a flow may pass a job on, and which causes can only be found there."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple

from shopkb.core.flow.memoize import memoized
from shopkb.core.flow.model import Flow, Go, GoKind
from shopkb.core.flow.paths import next_steps


class CausesBehind(NamedTuple):
    """Causes that a flow does not list and that lie behind the same hand-overs of it, taken as one.

    ``procedures`` are those handed over to, in the order of their keys, with their ``titles``; ``causes`` are the
    identities that they, or what they hand over to in turn, list.
    """

    procedures: tuple[str, ...]
    causes: frozenset[str]
    titles: tuple[str, ...]

    @property
    def name(self) -> str:
        """As the pages say it: a cause for "Voltage drop method"; of several the first, and how many others."""
        others = len(self.titles) - 1
        more = f" or {'another procedure' if others == 1 else f'{others} others'}" if others else ""
        return f"a cause for \N{LEFT DOUBLE QUOTATION MARK}{self.titles[0]}\N{RIGHT DOUBLE QUOTATION MARK}{more}"

    @property
    def identity(self) -> str:
        """Stands beside the identities of causes; none of them has a space."""
        return f"hand-over {' '.join(self.procedures)}"


class HandOverCauses(NamedTuple):
    """What the hand-overs of a flow lead to: the ``parts`` that it does not list itself, each cause once, and by
    procedure handed over to the identities ``found`` in it, those that the flow lists too among them."""

    parts: tuple[CausesBehind, ...] = ()
    found: tuple[tuple[str, frozenset[str]], ...] = ()


OUT: Final = ""
"""Stands beside the keys of procedures for leaving a procedure without a cause."""

NO_HAND_OVER_CAUSES: Final = HandOverCauses()


def handed_over_to(flow: Flow) -> frozenset[str]:
    """Keys of the procedures that some outcome hands over to."""
    return memoized(flow, "_handed_over_to", _handed_over_to)


def _handed_over_to(flow: Flow) -> frozenset[str]:
    return frozenset(
        outcome.go.key for step in flow.steps for outcome in step.outcomes if outcome.go.kind is GoKind.HAND_OVER
    )


def ways_out(flow: Flow, step: str, outcome: str) -> frozenset[str]:
    """What can end the search without a cause once this branch was taken: keys of procedures handed over to, and
    :data:`OUT` where it leaves the procedure."""
    go = flow.step_by_key[step].outcome(outcome).go
    found, met = _ends([go]), {go.key} if go.kind is GoKind.STEP and go.key in flow.step_by_key else set()
    pending = list(met)
    while pending:
        here = pending.pop()
        found |= _ends(one.go for one in flow.step_by_key[here].outcomes)
        fresh = [there for there in next_steps(flow, here) if there not in met]
        met.update(fresh)
        pending += fresh
    return frozenset(found)


def _ends(goes: Iterable[Go]) -> set[str]:
    return {go.key if go.kind is GoKind.HAND_OVER else OUT for go in goes if go.kind in (GoKind.HAND_OVER, GoKind.OUT)}


def reached_from(procedures: Iterable[str], flows: Mapping[str, Flow]) -> frozenset[str]:
    """These procedures and those they hand over to, directly or through others, as far as ``flows`` knows them."""
    found: set[str] = set()
    pending = [key for key in procedures if key in flows]
    while pending:
        key = pending.pop()
        if key not in found:
            found.add(key)
            pending += [further for further in handed_over_to(flows[key]) if further in flows]
    return frozenset(found)


def causes_behind(flow: Flow, flows: Mapping[str, Flow]) -> HandOverCauses:
    """What lies behind the hand-overs of ``flow``: each cause behind those that lead to it in the fewest steps.

    ``flows`` are the other procedures by key; one that is missing is not in force, and nothing is known behind it.
    """
    own = {cause.identity for cause in flow.causes}
    found = {target: _causes(flows[target]) for target in sorted(handed_over_to(flow)) if target in flows}
    nearest: dict[str, dict[str, int]] = {}
    for target in found.keys() - {flow.procedure}:
        for procedure, hops in _hops(target, flows).items():
            for identity in _causes(flows[procedure]) - own if procedure != flow.procedure else ():
                by_target = nearest.setdefault(identity, {})
                by_target[target] = min(hops, by_target.get(target, hops))
    groups: dict[tuple[str, ...], set[str]] = {}
    for identity, by_target in nearest.items():
        least = min(by_target.values())
        targets = tuple(sorted(target for target, hops in by_target.items() if hops == least))
        groups.setdefault(targets, set()).add(identity)
    parts = (
        CausesBehind(targets, frozenset(causes), tuple(flows[target].title for target in targets))
        for targets, causes in sorted(groups.items())
    )
    return HandOverCauses(tuple(parts), tuple(found.items()))


def _causes(flow: Flow) -> frozenset[str]:
    return frozenset(cause.identity for cause in flow.causes)


def _hops(start: str, flows: Mapping[str, Flow]) -> dict[str, int]:
    """By procedure: over how many hand-overs it is reached from ``start``."""
    found = {start: 0}
    pending = [start]
    for key in pending:
        for further in sorted(handed_over_to(flows[key])):
            if further in flows and further not in found:
                found[further] = found[key] + 1
                pending.append(further)
    return found
