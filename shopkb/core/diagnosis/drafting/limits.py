"""The limits at which one reading tells some states of a circuit apart best, none of them inside a sound one's range.

A limit is a figure, or the battery voltage less a figure: of the two the one that splits better.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from shopkb.core.circuit.parts import Array
from shopkb.core.diagnosis.drafting.places import Place
from shopkb.core.flow.circuits.predicted import SOUND

STRAY: Final = 0.015
"""A smaller share of a state than this on one side of a limit is left out there."""

SECOND: Final = 0.25
"""Bits that a second limit has to add."""

TORN: Final = 1.0
"""Bits that count against a limit for each bit by which it divides a state: tests would have to be written twice."""

ROOM: Final = 3.0
"""Standard uncertainties of the meter between a state and the limit beside it."""

LEAST_GAP: Final[Mapping[str, float]] = {"voltage": 0.25, "current": 0.4}


@dataclass(frozen=True, slots=True)
class Limit:
    """``figure``, with ``of_supply`` added to the battery voltage."""

    of_supply: bool
    figure: float

    def numbers(self, supply: Array) -> Array:
        return np.asarray(self.figure + (supply if self.of_supply else 0.0 * supply))


@dataclass(frozen=True)
class Split:
    """One reading with its limits, lowest first, and the states of each band from the lowest: by key, what share of
    each lies there. ``bits`` is what it tells."""

    place: Place
    limits: tuple[Limit, ...]
    bands: tuple[Mapping[str, float], ...]
    bits: float

    @property
    def sound(self) -> int:
        """The band of the sound circuit."""
        below = [float((self.place.by_state[SOUND] < one.numbers(self.place.supply)).mean()) for one in self.limits]
        return sum(share < 0.5 for share in below)


def best_split(place: Place, states: Collection[str], chances: Mapping[str, float]) -> Split | None:
    """The limits of this reading that tell most of these states apart; None where none does."""
    first = _best(place, states, chances, ())
    if first is None:
        return None
    second = _best(place, states, chances, first.limits)
    return second if second is not None and second.bits > first.bits + SECOND else first


def _best(place: Place, states: Collection[str], chances: Mapping[str, float], held: tuple[Limit, ...]) -> Split | None:
    best: Split | None = None
    for of_supply in (False, True) if place.supply.any() and not place.setup.through else (False,):
        for limit in _between(place, states, of_supply=of_supply):
            split = _split(place, states, chances, (*held, limit))
            if split is not None and (best is None or split.bits > best.bits + 0.02):
                best = split
    return best


def _between(place: Place, states: Collection[str], *, of_supply: bool) -> list[Limit]:
    """Limits in the gaps between what the states read, outside what sound ones do."""
    ranges = {}
    for state in {*states, SOUND}:
        found = place.by_state[state]
        room = ROOM * place.spread(found)
        shown = found - (place.supply_of(state) if of_supply else 0.0)
        ranges[state] = (float((shown - room).min()), float((shown + room).max()))
    low, high = ranges[SOUND]
    ends = sorted({end for pair in ranges.values() for end in pair} | {low, high})
    gaps = [(a, b) for a, b in pairwise(ends) if b - a >= LEAST_GAP[place.setup.quantity]]
    found_limits = []
    for a, b in gaps:
        if b <= low or a >= high:
            near = b if b <= low else a
            found_limits.append(Limit(of_supply, round_between(a, b, near)))
    return found_limits


def round_between(low: float, high: float, near: float) -> float:
    """The roundest figure between two, a third of the way from ``near``."""
    wish = near + (high + low - 2 * near) / 3
    for step in (5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01):
        figure = round(round(wish / step) * step, 2)
        if low < figure < high and abs(figure - wish) <= (high - low) / 4:
            return figure
    return float(f"{wish:.2g}")


def _split(
    place: Place, states: Collection[str], chances: Mapping[str, float], limits: tuple[Limit, ...]
) -> Split | None:
    order = sorted(limits, key=lambda one: float(one.numbers(place.supply)[0]))
    ends = np.array([one.numbers(place.supply) for one in order])
    if (np.diff(ends, axis=0) <= 0).any():
        return None
    keys = list(states)
    shares = np.array([_shares(place, state, ends) for state in keys])  # states x bands
    shares[shares < STRAY] = 0
    shares /= shares.sum(axis=1, keepdims=True)
    weights = np.array([chances[state] for state in keys])
    weights = weights / weights.sum()
    torn = float(weights @ [_entropy(row) for row in shares])
    bits = _entropy(weights @ shares) - (1 + TORN) * torn
    if bits < 1e-3:
        return None
    bands = tuple(
        {state: float(share) for state, share in zip(keys, column, strict=True) if share > 0} for column in shares.T
    )
    return Split(place, tuple(order), bands, bits)


def _shares(place: Place, state: str, ends: Array) -> Array:
    found = place.by_state[state]
    times = len(found) // len(place.supply)
    below = np.array([(found < np.tile(end, times)).mean() for end in ends])
    return np.asarray(np.diff(np.concatenate([[0.0], below, [1.0]])))


def _entropy(shares: Array) -> float:
    return float(-sum(share * math.log2(share) for share in shares if share > 0))
