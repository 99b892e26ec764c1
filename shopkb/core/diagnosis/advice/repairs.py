"""Expected cost of repairing without further tests: one repair after the other until the complaint is gone.

With one fault, repairs that each put their own causes right, and a check after each, the cheapest order is by
decreasing probability over cost (J. Kadane and H. Simon 1977; D. Heckerman, J. Breese and K. Rommelse,
Decision-theoretic troubleshooting, CACM 38(3), 1995). Repairs behind one set-up that is paid once: the best prefix of
the set-up's repairs goes as one (T. Ottosen and F. Jensen, The cost of troubleshooting cost clusters with inside
information, UAI 2010).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.model import Proof

LEAST_COST: Final = 0.25

HELD_TOGETHER: Final = 1e-12
"""By this part the keys of repairs that go as one differ, each from the one before and those of one set-up from those
of the next, so that they stay together in their order whatever else has the same key: sorting that keeps the order of
equals takes five times as long."""

Flags = NDArray[np.bool_]
Places = NDArray[np.intp]
Cluster = tuple[Sequence[int], float | Array]
"""Repairs behind one set-up, and the minutes it still costs: one figure, or one a row."""


@dataclass(frozen=True, slots=True)
class Prices:
    """What time and parts cost here.

    ``hourly_rate`` is the shop's, in its currency; ``look_further`` the minutes it takes to find a cause that no repair
    of the procedures in hand puts right; ``check`` the minutes to see whether a repair cured. With ``prove_first`` a
    repair is advised only once a result of one of the ``proofs`` has named its cause.

    Raises:
        ValueError: the hourly rate is not above 0, so that parts could not be weighed against time.
    """

    hourly_rate: float = 60.0
    look_further: float = 120.0
    check: float = 0.0
    prove_first: bool = False
    proofs: frozenset[Proof] = frozenset({Proof.SEEN, Proof.MEASURED, Proof.SUBSTITUTED})

    def __post_init__(self) -> None:
        if not 0 < self.hourly_rate < float("inf"):
            raise ValueError(f"An hour in the shop costs more than 0, for example 60; got {self.hourly_rate:g}.")


USUAL_PRICES: Final = Prices()


@dataclass(frozen=True, eq=False)
class RepairCosts:
    """Repairs (the last one: look further) with their minutes, parts included, and the set-up each stands behind.

    ``matrix`` is causes x repairs, 1 where a repair puts a cause right; every cause has exactly one. ``open_minutes``
    holds the set-up states that cost something and that a test or a repair is done in.
    """

    matrix: Array
    minutes: Array
    access: tuple[str, ...]
    open_minutes: Mapping[str, float]

    def masses(self, weights: Array) -> Array:
        """Weights by cause (last axis) summed by repair."""
        summed: Array = weights @ self.matrix
        return summed

    def expected(self, weights: Array, opened: Flags | None = None, owed: Array | None = None) -> Array:
        """Expected minutes of repairing without tests, times the total weight; ``weights`` is n x causes.

        ``opened`` says which of the :attr:`states` are reached, n x states; none by default. ``owed`` are minutes that
        come on top of each repair, by repair or n x repairs: those of its proof.
        """
        minutes = self.minutes if owed is None else self.minutes + owed
        clusters: list[Cluster] = [
            (members, cost if opened is None else np.where(opened[:, place], 0.0, cost))
            for members, place, cost in self._behind
        ]
        return expected_minutes(self.masses(weights), minutes, clusters)

    @cached_property
    def states(self) -> dict[str, int]:
        """The set-up states that cost something to reach, with their places."""
        return {state: place for place, state in enumerate(self.open_minutes)}

    @cached_property
    def _behind(self) -> list[tuple[list[int], int, float]]:
        """By set-up state that stands before a repair: those repairs, its place and its minutes."""
        found: dict[str, list[int]] = {}
        for place, access in enumerate(self.access):
            if access in self.states:
                found.setdefault(access, []).append(place)
        return [(members, self.states[access], self.open_minutes[access]) for access, members in found.items()]


def repair_costs(model: CauseModel, prices: Prices, not_cured: Sequence[str] = ()) -> RepairCosts:
    """Costs for a model. A repair that was tried without a cure is none any more: its causes are left to looking
    further."""
    tried = {model.column_of[identity] for identity in not_cured if identity in model.column_of}
    minutes = [
        max(repair.minutes + prices.check + 60 * repair.price / prices.hourly_rate, LEAST_COST)
        for repair in model.repairs
    ]
    matrix = np.zeros((len(model.causes), len(model.repairs) + 1))
    for place, repair in enumerate(model.repairs):
        if not tried.intersection(repair.causes):
            matrix[list(repair.causes), place] = 1.0
    matrix[:, -1] = matrix[:, :-1].sum(axis=1) == 0
    access = (*(repair.access for repair in model.repairs), "")
    used = dict.fromkeys((*access, *(test.access for test in model.tests)))
    costly = {state: cost for state in used if (cost := model.access_minutes.get(state, 0.0)) > 0}
    return RepairCosts(matrix, np.array([*minutes, max(prices.look_further, LEAST_COST)]), access, costly)


def expected_minutes(masses: Array, minutes: Array, clusters: Sequence[Cluster] = ()) -> Array:
    """Cost of the best order for each row of ``masses`` (n x repairs), times the row's sum.

    ``minutes`` are by repair, or n x repairs. ``clusters`` hold the repairs behind each set-up with its minutes, one
    figure or one a row; 0 where it is reached. O(n x repairs log repairs).
    """
    keys, costs, masses = _arranged(masses, minutes, clusters)
    order = _sorting(keys)
    # A cause is cured once its own repair and all before it are paid.
    total: Array = np.einsum("ij,ij->i", np.add.accumulate(costs.take(order), axis=1), masses.take(order))
    return total


def _places(repairs: int, clusters: Sequence[Cluster]) -> list[int]:
    """The repairs, those behind each set-up first and together."""
    behind = [member for members, _ in clusters for member in members]
    return [*behind, *sorted(set(range(repairs)).difference(behind))]


def _sorting(keys: Array) -> Places:
    """Flat places of the entries of each row, least first."""
    order = np.argsort(keys, axis=1)
    order += np.arange(0, keys.size, keys.shape[1])[:, None]
    return order


def _arranged(masses: Array, minutes: Array, clusters: Sequence[Cluster]) -> tuple[Array, Array, Array]:
    """Keys to sort by, least first, costs and masses, arranged so that the repairs of a set-up stand together in their
    order (:func:`_places`, and those of each set-up by chance over cost)."""
    costs = minutes if minutes.shape == masses.shape else np.tile(minutes, (len(masses), 1))
    if clusters:
        places = np.array(_places(masses.shape[1], clusters), dtype=np.intp)
        masses, costs = masses.take(places, axis=1), costs.take(places, axis=1)
    keys, start = -masses / costs, 0
    for members, opening in clusters:
        part = slice(start, start + len(members))
        compound = _compound(costs[:, part], masses[:, part], opening, masses.shape[1] - start)
        keys[:, part], costs[:, part], masses[:, part] = compound
        start = part.stop
    return keys, costs, masses


def _compound(costs: Array, masses: Array, opening: float | Array, left: int) -> tuple[Array, Array, Array]:
    """The same for the repairs behind one set-up: the best prefix of them goes as one, and pays for it.

    ``left`` repairs come from its first one on: of two set-ups with one key, the one with more left goes first, whole.
    """
    keys = -masses / costs
    order = _sorting(keys)
    keys, costs, masses = keys.take(order), costs.take(order), masses.take(order)
    costs[:, 0] += opening
    ratio = np.add.accumulate(masses, axis=1)
    ratio /= -np.add.accumulate(costs, axis=1)
    best = ratio.argmin(axis=1)[:, None]
    together = ratio.take(best + np.arange(0, ratio.size, ratio.shape[1])[:, None])
    places = np.arange(keys.shape[1])
    together = together * (1 + HELD_TOGETHER * (left - places))
    return np.where(places <= best, together, keys), costs, masses
