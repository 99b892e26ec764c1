"""Looking ahead on an open job: what each test or repair leads to, in expected minutes to the cure.

Two actions are looked ahead; after them, repairing without further tests (:mod:`repairs`) stands for the rest. One
action ahead is the myopic rule of D. Heckerman, J. Breese and K. Rommelse, Decision-theoretic troubleshooting,
CACM 38(3), 1995. A test often waits for others: such a row pays only as a whole, so the most telling rows are followed
further. What may be done, and what it takes, says :mod:`job_states`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from shopkb.core.diagnosis.advice.job_states import Ground, Ways
from shopkb.core.diagnosis.advice.repairs import Flags, Places
from shopkb.core.diagnosis.belief.information import telling_powers
from shopkb.core.diagnosis.rates.intervals import Array

BREADTH: Final = 12
"""How many tests, best first by one step ahead, are looked at two steps ahead."""

TELLS_NOTHING: Final = 0.01
"""Bits below which a test is not worth its walk even where a cause has to be proven."""

SAVES_NOTHING: Final = 1e-9

FAR: Final = 5
FAR_BREADTH: Final = 3
FAR_WEIGHT: Final = 0.01
"""The most telling rows are followed as far as so many tests, from so many first ones; ways less likely than this are
not."""


@dataclass(frozen=True, eq=False)
class Position(Ground):
    """Where a job stands, with what each test or repair leads to from there."""

    @cached_property
    def without_tests(self) -> float:
        """Expected minutes of repairing from here."""
        return float(self.repairing(self.here)[0])

    def chance_to_prove(self, place: int) -> float:
        """Probability that a test proves the cause that is there and is not proven yet."""
        test = self.model.tests[place]
        rows = slice(test.start, test.stop)
        named = np.where(self.proven, 0.0, self.proves[rows]) @ self.costs.matrix.T
        return float((named * self.model.table[rows]).sum(axis=0) @ self.weights)

    def behind_tests(self, ahead: int) -> dict[int, float]:
        """Expected minutes to the cure by the place of each test that may come next."""
        places = np.flatnonzero(self.may(self.here.done)[0]) if self.model.tests else np.zeros(0, dtype=np.intp)
        if not places.size:
            return {}
        expected = dict(zip(places.tolist(), self.testing(self.here, places)[0].tolist(), strict=True))
        if ahead == 2:
            best = np.array(sorted(expected, key=expected.__getitem__)[:BREADTH], dtype=np.intp)
            expected.update(zip(best.tolist(), self._two_ahead(best).tolist(), strict=True))
            first = self._first_steps()
            for place, minutes in zip(first.tolist(), self._far(first).tolist(), strict=True):
                expected[place] = min(expected[place], minutes)
        return expected

    def behind_repairs(self, ahead: int) -> dict[int, float]:
        """Cost of what follows each repair that does not cure, by its place, the last one being to look further; those
        that were tried are left out."""
        places = np.flatnonzero(self.costs.matrix.any(axis=0))
        ways = self.here.at(np.zeros(len(places), dtype=np.intp))
        for row, place in enumerate(places):
            if self.costs.access[place] in self.costs.states:
                ways.opened[row, self.costs.states[self.costs.access[place]]] = True
        left = self.weights * (self.costs.matrix[:, places].T == 0)
        ways = ways._replace(weights=left, owed=self.owed(ways.opened, ways.done) * ~ways.proven)
        after = self.best_rest(ways) if ahead == 2 else self.repairing(ways)
        return dict(zip(places.tolist(), after.tolist(), strict=True))

    def repairing(self, ways: Ways) -> Array:
        """Cost by way of repairs without further tests, times the weight of the way."""
        return self.costs.expected(ways.weights, ways.opened, ways.owed if self.prices.prove_first else None)

    def testing(self, ways: Ways, places: Places) -> Array:
        """Cost of each test followed by repairs, times the weight of the way: ways x places."""
        n = len(ways.weights)
        chosen = np.tile(places, n)
        after, starts = self._after(ways.at(np.repeat(np.arange(n), len(places))), chosen)
        rest = np.add.reduceat(self.repairing(after), starts).reshape(n, len(places))
        value: Array = rest + self.takes(ways.opened)[:, places] * ways.weights.sum(axis=1)[:, None]
        return value

    def _after(self, ways: Ways, chosen: Places) -> tuple[Ways, Places]:
        """The ways behind every outcome of the test chosen for each way, and where those of each way start."""
        sizes = self.sizes[chosen]
        starts = np.cumsum(sizes) - sizes
        owner = np.repeat(np.arange(len(chosen)), sizes)
        row = self.model.starts[chosen][owner] + np.arange(owner.size) - starts[owner]
        opened, done = ways.opened | self.state_of_test[chosen], ways.done.copy()
        done[np.arange(len(chosen)), chosen] = True
        proven = ways.proven[owner] | self.proving[row]
        owed = self.owed(opened, done)[owner] * ~proven
        return Ways(ways.weights[owner] * self.model.table[row], opened[owner], done[owner], proven, owed), starts

    def best_rest(self, ways: Ways) -> Array:
        """By way the cheaper of repairing now and one more test before."""
        best = self.repairing(ways)
        may = self.may(ways.done) if self.model.tests else np.zeros((len(best), 0), dtype=bool)
        places = np.flatnonzero(may.any(axis=0))
        if places.size:
            ahead = np.where(may[:, places], self.testing(ways, places), np.inf)
            best = np.minimum(best, ahead.min(axis=1))
        return best

    def _two_ahead(self, places: Places) -> Array:
        """Cost of each test followed by the best of one more test and repairs."""
        after, starts = self._after(self.here.at(np.zeros(len(places), dtype=np.intp)), places)
        value: Array = np.add.reduceat(self.best_rest(after), starts) + self.takes(self.here.opened)[0, places]
        return value

    def _far(self, places: Places) -> Array:
        """Cost of each test when it is followed by the rows of most bits a minute, as far as :data:`FAR` tests in all,
        and by repairs wherever those are cheaper. What two actions ahead cannot see: a row that pays only as a whole.
        """
        if not FAR or not places.size:
            return np.full(len(places), np.inf)
        return self._greedy(self.here.at(np.zeros(len(places), dtype=np.intp)), places, FAR - 1)

    def _greedy(self, ways: Ways, chosen: Places, further: int) -> Array:
        """Cost by way of the test chosen for it and of what follows, at most ``further`` tests more."""
        later, starts = self._after(ways, chosen)
        best = self.repairing(later)
        if further:
            worth, place = self._most_telling(later)
            if worth.any():
                best[worth] = np.minimum(best[worth], self._greedy(later.at(worth), place[worth], further - 1))
        takes = self.takes(ways.opened)[np.arange(len(chosen)), chosen] * ways.weights.sum(axis=1)
        value: Array = takes + np.add.reduceat(best, starts)
        return value

    def _first_steps(self) -> Places:
        """The first steps of the rows that tell most a minute, at most :data:`FAR_BREADTH`."""
        power, _ = self._power(self.here)
        may, first = self.may(self.here.done)[0], list[int]()
        for place in np.argsort(-power[0], kind="stable"):
            step = int(np.argmax(self.rows[place] * may))
            if power[0, place] > 0 and step not in first:
                first.append(step)
        return np.array(first[:FAR_BREADTH], dtype=np.intp)

    def _power(self, ways: Ways) -> tuple[Array, Array]:
        """Ways x tests: bits a minute of the row that leads to each test, and bits."""
        total = ways.weights.sum(axis=1)
        bits = telling_powers(self.model, ways.weights / np.maximum(total, 1e-300)[:, None])
        return bits / self.row_takes(ways.opened, ways.done, *self.all_tests), bits

    def _most_telling(self, ways: Ways) -> tuple[Flags, Places]:
        """By way whether a further test is worth a look, and the first step of the row of most bits a minute."""
        power, bits = self._power(ways)
        goal = power.argmax(axis=1)[:, None]
        enough = np.take_along_axis(np.where(power > 0, bits, 0.0), goal, axis=1)[:, 0] >= TELLS_NOTHING
        step = (self.rows[goal[:, 0]] * self.may(ways.done)).argmax(axis=1)
        return (ways.weights.sum(axis=1) >= FAR_WEIGHT) & enough, step
