"""In which order readings are taken: the causes are halved until each has been read, quickest first.

Each reading is chosen by what it tells in a minute, and the few best by the minutes that are then still to come
(half-splitting: A. R. Malsch, IRE Transactions on Reliability PGRQC-10, 1957, by memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from shopkb.core.diagnosis.drafting.limits import Split, best_split
from shopkb.core.diagnosis.drafting.places import Place

LEAST: Final = 0.02
"""Bits that a reading has to tell to be taken."""

LOOKED_AT: Final = 3
"""Readings whose way on is looked at before one is chosen."""

States = frozenset[str]


@dataclass(frozen=True)
class Node:
    """A reading and where its bands lead, lowest first; ``split`` is None at an end, where ``states`` are left."""

    states: States
    split: Split | None = None
    ways: tuple[Node, ...] = ()


@dataclass
class Search:
    """All that is looked up while the order is searched."""

    places: Sequence[Place]
    chances: Mapping[str, float]
    access_minutes: Mapping[str, float]
    _splits: dict[States, tuple[Split, ...]] = field(default_factory=dict)
    _nodes: dict[tuple[States, str], Node] = field(default_factory=dict)
    _quick: dict[tuple[States, str], float] = field(default_factory=dict)

    def node(self, states: States, access: str) -> Node:
        """The readings that tell these states apart, begun in this set-up state."""
        if (states, access) not in self._nodes:
            self._nodes[states, access] = self._made(states, access)
        return self._nodes[states, access]

    def _made(self, states: States, access: str) -> Node:
        best = self._ranked(states, access)[:LOOKED_AT]
        if not best:
            return Node(states)
        split = min(best, key=lambda one: self._minutes(one, access) + self._still(one))
        ways = tuple(self.node(frozenset(band), split.place.setup.access) for band in split.bands)
        return Node(states, split, ways)

    def _ranked(self, states: States, access: str) -> list[Split]:
        if len(states) < 2:
            return []
        found = self._told(states)
        return sorted(found, key=lambda one: -one.bits / self._minutes(one, access))

    def _told(self, states: States) -> tuple[Split, ...]:
        if states not in self._splits:
            splits = (best_split(place, sorted(states), self.chances) for place in self.places)
            self._splits[states] = tuple(
                one
                for one in splits
                if one and one.bits >= LEAST and all(len(band) < len(states) for band in one.bands)
            )
        return self._splits[states]

    def _minutes(self, split: Split, access: str) -> float:
        setup = split.place.setup
        return setup.minutes + (self.access_minutes.get(setup.access, 0.0) if setup.access != access else 0.0)

    def _still(self, split: Split) -> float:
        """Minutes still to come behind a reading, each further one being the one that tells most in a minute."""
        total = sum(self.chances[state] for band in split.bands for state in band)
        return sum(
            sum(self.chances[state] * share for state, share in band.items())
            / total
            * self._quickly(frozenset(band), split.place.setup.access)
            for band in split.bands
        )

    def _quickly(self, states: States, access: str) -> float:
        if (states, access) not in self._quick:
            best = self._ranked(states, access)[:1]
            self._quick[states, access] = self._minutes(best[0], access) + self._still(best[0]) if best else 0.0
        return self._quick[states, access]


def tested_order(
    places: Sequence[Place], chances: Mapping[str, float], access_minutes: Mapping[str, float], access: str
) -> Node:
    """The order for these causes; ``chances`` has them by key, the sound circuit under :data:`SOUND` among them."""
    return Search(places, chances, access_minutes).node(frozenset(chances), access)
