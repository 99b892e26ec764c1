"""What putting a job right costs when no further test is done: repairs one after the other until the complaint is gone.

With one fault, repairs that each put their own causes right, and a check after each, the cheapest order is by
decreasing probability over cost (J. Kadane and H. Simon 1977; D. Heckerman, J. Breese and K. Rommelse,
Decision-theoretic troubleshooting, CACM 38(3), 1995). Repairs behind one set-up that is paid once: the best prefix of
the set-up's repairs goes as one (T. Ottosen and F. Jensen, The cost of troubleshooting cost clusters with inside
information, UAI 2010).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from shopkb.core.diagnosis.cause_model import CauseModel
from shopkb.core.diagnosis.rates import Array
from shopkb.core.flow.model import Proof

LEAST_COST: Final = 0.25


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

    ``matrix`` is causes x repairs, 1 where a repair puts a cause right; every cause has exactly one.
    """

    matrix: Array
    minutes: Array
    access: tuple[str, ...]
    open_minutes: Mapping[str, float]

    def masses(self, weights: Array) -> Array:
        """Weights by cause (last axis) summed by repair."""
        summed: Array = weights @ self.matrix
        return summed

    def expected(self, weights: Array, opened: frozenset[str] = frozenset(), owed: Array | None = None) -> Array:
        """Expected minutes of repairing without tests, times the total weight; ``weights`` is n x causes.

        ``owed`` are minutes that come on top of each repair, by repair or n x repairs: those of its proof.
        """
        minutes = self.minutes if owed is None else self.minutes + owed
        return expected_minutes(self.masses(weights), minutes, self.clusters(opened))

    def clusters(self, opened: frozenset[str]) -> list[tuple[list[int], float]]:
        """Set-ups that are still to be paid: the repairs behind each, and its minutes."""
        behind: dict[str, list[int]] = {}
        for place, access in enumerate(self.access):
            if access not in opened and self.open_minutes.get(access, 0.0) > 0:
                behind.setdefault(access, []).append(place)
        return [(members, self.open_minutes[access]) for access, members in behind.items()]


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
    return RepairCosts(matrix, np.array([*minutes, max(prices.look_further, LEAST_COST)]), access, model.access_minutes)


def expected_minutes(masses: Array, minutes: Array, clusters: Sequence[tuple[Sequence[int], float]] = ()) -> Array:
    """Cost of the best order for each row of ``masses`` (n x repairs), times the row's sum.

    ``minutes`` are by repair, or n x repairs. O(n x repairs log repairs).
    """
    keys, costs, masses, _ = _arranged(masses, minutes, clusters)
    order = np.argsort(-keys, axis=1, kind="stable")
    rows = np.arange(len(order))[:, None]
    costs, masses = costs[rows, order], masses[rows, order]
    # Each repair is paid by what is still uncured when its turn comes.
    still = np.cumsum(masses[:, ::-1], axis=1)[:, ::-1]
    total: Array = (costs * still).sum(axis=1)
    return total


def repair_order(
    masses: Array, minutes: Array, clusters: Sequence[tuple[Sequence[int], float]] = ()
) -> tuple[list[int], float]:
    """Best order of the repairs of one row, and its expected minutes times the row's sum."""
    keys, _, _, places = _arranged(masses[None, :], minutes, clusters)
    order = np.argsort(-keys[0], kind="stable")
    return [int(place) for place in places[0][order]], float(expected_minutes(masses[None, :], minutes, clusters)[0])


def _arranged(
    masses: Array, minutes: Array, clusters: Sequence[tuple[Sequence[int], float]]
) -> tuple[Array, Array, Array, np.typing.NDArray[np.intp]]:
    """Keys to sort by, costs and masses, arranged so that the repairs of a set-up stand together in their order."""
    minutes = np.broadcast_to(minutes, masses.shape)
    if not clusters:
        places = np.broadcast_to(np.arange(minutes.shape[1]), masses.shape)
        return masses / minutes, minutes, masses, places
    parts = [_compound(masses, minutes, members, opening) for members, opening in clusters]
    behind = {member for members, _ in clusters for member in members}
    free = np.array([place for place in range(minutes.shape[1]) if place not in behind], dtype=np.intp)
    singles, alone = masses[:, free], minutes[:, free]
    parts.append((singles / alone, alone, singles, np.broadcast_to(free, singles.shape)))
    keys, costs, weights, places = (np.concatenate(columns, axis=1) for columns in zip(*parts, strict=True))
    return keys, costs, weights, places


def _compound(
    masses: Array, minutes: Array, members: Sequence[int], opening: float
) -> tuple[Array, Array, Array, np.typing.NDArray[np.intp]]:
    """The same for the repairs behind one set-up: the best prefix of them goes as one."""
    places = np.asarray(members, dtype=np.intp)
    own, each, rows = masses[:, places], minutes[:, places], np.arange(len(masses))[:, None]
    if places.size == 1:
        costs = each + opening
        return own / costs, costs, own, np.broadcast_to(places, own.shape)
    inside = np.argsort(-own / each, axis=1, kind="stable")
    weights, costs = own[rows, inside], each[rows, inside]
    ratio = np.cumsum(weights, axis=1) / (opening + np.cumsum(costs, axis=1))
    best = ratio.argmax(axis=1)[:, None]
    first = np.arange(places.size)[None, :] <= best
    keys = np.where(first, ratio[rows, best], weights / costs)
    costs[:, 0] += opening
    return keys, costs, weights, places[inside]
