"""Looking ahead on an open job: what each test or repair leads to, in expected minutes to the cure.

Two actions are looked ahead; after them, repairing without further tests (:mod:`repairs`) stands for the rest. One
action ahead is the myopic rule of D. Heckerman, J. Breese and K. Rommelse, Decision-theoretic troubleshooting,
CACM 38(3), 1995.

Where a cause has to be proven before its repair, a repair that is not proven yet owes the minutes of the cheapest test
that can prove it: else the plan would count on fitting parts that it may not fit.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shopkb.core.diagnosis.bits import telling_power
from shopkb.core.diagnosis.cases import CaseResult
from shopkb.core.diagnosis.cause_model import CauseModel, Test
from shopkb.core.diagnosis.posterior import posterior, rows_of
from shopkb.core.diagnosis.rates import Array
from shopkb.core.diagnosis.repairs import Prices, RepairCosts, repair_costs

BREADTH: Final = 12
"""How many tests, best first by one step ahead, are looked at two steps ahead."""

TELLS_NOTHING: Final = 0.01
"""Bits below which a test is not worth its walk even where a cause has to be proven."""

SAVES_NOTHING: Final = 1e-9

FAR: Final = 5
FAR_BREADTH: Final = 3
FAR_WEIGHT: Final = 0.01
"""Before it is said that no test is worth its minutes: rows of so many tests are tried, from so many first ones; ways
less likely than this are not followed."""

Steps = frozenset[tuple[str, str]]
"""(procedure, step) of steps done."""


@dataclass(frozen=True, eq=False)
class Position:
    """An open job: what is believed, what may be done, what has been reached.

    ``recorded`` are the rows of the table that were found. ``owed`` is what each repair still owes for its proof, in
    minutes; zeros where the shop does not ask for one.
    """

    model: CauseModel
    prices: Prices
    weights: Array
    costs: RepairCosts
    recorded: tuple[int, ...]
    done: Steps
    allowed: Collection[tuple[str, str]] | None
    opened: frozenset[str]

    @classmethod
    def of(
        cls, model: CauseModel, results: Sequence[CaseResult], not_cured: Sequence[str], prices: Prices,
        allowed: Collection[tuple[str, str]] | None, opened: frozenset[str] | None,
    ) -> Position:  # fmt: skip
        """Where a job stands; see :func:`telling.advise`."""
        done = frozenset((result.procedure, result.step) for result in results if result.outcome)
        if opened is None:
            opened = frozenset(
                test.access for test in model.tests if test.access and (test.procedure, test.step) in done
            )
        costs, weights = repair_costs(model, prices, not_cured), posterior(model, results, not_cured)
        return cls(model, prices, weights, costs, tuple(rows_of(model, results)), done, allowed, opened)

    def may(self, test: Test, done: Steps) -> bool:
        """Whether a test may come once those are done."""
        key = (test.procedure, test.step)
        if key in done or (self.allowed is not None and key not in self.allowed):
            return False
        return all((test.procedure, need) in done for need in test.needs)

    def setup(self, access: str, opened: frozenset[str]) -> float:
        return 0.0 if access in opened else self.model.access_minutes.get(access, 0.0)

    @cached_property
    def proves(self) -> Array:
        """Branches x repairs: 1 where a branch names one of a repair's causes with a proof that the shop accepts."""
        found = np.zeros((len(self.model.branches), self.costs.minutes.size))
        for row, branch in enumerate(self.model.branches):
            column = self.model.column_of.get(branch.names)
            if branch.names and column is not None and branch.proof in self.prices.proofs:
                found[row] = self.costs.matrix[column]
        return found

    @cached_property
    def proven(self) -> NDArray[np.bool_]:
        """By repair: whether a result has proven one of its causes."""
        return np.asarray(self.proves[list(self.recorded)].sum(axis=0) > 0)

    @cached_property
    def owed(self) -> Array:
        """By repair: minutes of the cheapest test that can still prove it; 0 where none can, or nothing is asked."""
        least = np.full(self.costs.minutes.size, np.inf)
        if self.prices.prove_first:
            for test in self.model.tests:
                key = (test.procedure, test.step)
                if key not in self.done and (self.allowed is None or key in self.allowed):
                    able = self.proves[test.start : test.stop].any(axis=0)
                    least[able] = np.minimum(least[able], test.minutes + self.setup(test.access, self.opened))
        return np.where(np.isfinite(least) & ~self.proven, least, 0.0)

    @cached_property
    def still_owing(self) -> Array:
        """Branches x repairs: 0 where the branch pays what a repair owes."""
        return 1.0 - self.proves

    @cached_property
    def without_tests(self) -> float:
        """Expected minutes of repairing from here."""
        return float(self.costs.expected(self.weights[None, :], self.opened, self.owed)[0])

    def chance_to_prove(self, place: int) -> float:
        """Probability that a test proves the cause that is there and is not proven yet."""
        test = self.model.tests[place]
        rows = slice(test.start, test.stop)
        named = np.where(self.proven, 0.0, self.proves[rows]) @ self.costs.matrix.T
        return float((named * self.model.table[rows]).sum(axis=0) @ self.weights)

    def behind_tests(self, ahead: int) -> dict[int, float]:
        """Expected minutes to the cure by the place of each test that may come next."""
        places = [place for place, test in enumerate(self.model.tests) if self.may(test, self.done)]
        if not places:
            return {}
        one = self.one_ahead(self.weights[None, :], self.opened, self.owed, places)[0]
        expected = dict(zip(places, one.tolist(), strict=True))
        if ahead == 2:
            best = sorted(places, key=expected.__getitem__)[:BREADTH]
            expected.update(self._two_ahead(best))
            if min(expected.values()) >= self.without_tests - SAVES_NOTHING:
                bits = telling_power(self.model, self.weights)
                far = sorted(places, key=lambda place: -bits[place] / self._takes(place, self.opened))[:FAR_BREADTH]
                expected.update({place: min(expected[place], self._far(place)) for place in far})
        return expected

    def behind_repairs(self, ahead: int) -> dict[int, float]:
        """Cost of what follows each repair that does not cure, by its place, the last one being to look further; those
        that were tried are left out. Repairs behind one set-up state are looked at together."""
        by_access: dict[str, list[int]] = {}
        for place in np.flatnonzero(self.costs.matrix.any(axis=0)).tolist():
            by_access.setdefault(self.costs.access[place], []).append(place)
        rest: dict[int, float] = {}
        for access, places in by_access.items():
            left, opened = self.weights * (self.costs.matrix[:, places].T == 0), self.opened | {access}
            if ahead == 2:
                after = self.best_rest(left, opened, self.owed, [self.done] * len(places))
            else:
                after = self.costs.expected(left, opened, self.owed)
            rest.update(zip(places, after.tolist(), strict=True))
        return dict(sorted(rest.items()))

    def one_ahead(self, weights: Array, opened: frozenset[str], owed: Array, places: Sequence[int]) -> Array:
        """Cost of each test followed by repairs, times the weight of the row: n x places.

        ``owed`` is by repair, or rows x repairs.
        """
        value = np.empty((len(weights), len(places)))
        by_access: dict[str, list[int]] = {}
        for column, place in enumerate(places):
            by_access.setdefault(self.model.tests[place].access, []).append(column)
        for access, columns in by_access.items():
            value[:, columns] = self._behind(weights, opened, owed, access, [places[column] for column in columns])
        return value

    def _behind(self, weights: Array, opened: frozenset[str], owed: Array, access: str, places: Sequence[int]) -> Array:
        """The same for tests of one set-up state."""
        tests = [self.model.tests[place] for place in places]
        rows = np.concatenate([np.arange(test.start, test.stop) for test in tests])
        after = (weights[:, None, :] * self.model.table[rows]).reshape(-1, weights.shape[1])
        if self.prices.prove_first:
            by_row = np.broadcast_to(owed, (len(weights), owed.shape[-1]))
            owed = (by_row[:, None, :] * self.still_owing[rows]).reshape(len(after), -1)
        rest = self.costs.expected(after, opened | {access}, owed).reshape(len(weights), -1)
        starts = np.cumsum([0, *(test.stop - test.start for test in tests[:-1])])
        minutes = np.array([test.minutes for test in tests]) + self.setup(access, opened)
        value: Array = np.add.reduceat(rest, starts, axis=1) + weights.sum(axis=1)[:, None] * minutes
        return value

    def best_rest(self, weights: Array, opened: frozenset[str], owed: Array, done: Sequence[Steps]) -> Array:
        """For each row the cheaper of repairing now and one more test before; ``done`` holds the steps done by row."""
        best = self.costs.expected(weights, opened, owed)
        by_done = {steps: [self.may(test, steps) for test in self.model.tests] for steps in set(done)}
        may = np.array([by_done[steps] for steps in done]).reshape(len(done), len(self.model.tests))
        places = np.flatnonzero(may.any(axis=0)).tolist()
        if places:
            ahead = np.where(may[:, places], self.one_ahead(weights, opened, owed, places), np.inf)
            best = np.minimum(best, ahead.min(axis=1))
        return best

    def _two_ahead(self, places: Sequence[int]) -> dict[int, float]:
        """Cost of each test by its place; tests of one set-up state are looked at together."""
        values: dict[int, float] = {}
        by_access: dict[str, list[int]] = {}
        for place in places:
            by_access.setdefault(self.model.tests[place].access, []).append(place)
        for access, together in by_access.items():
            tests = [self.model.tests[place] for place in together]
            rows = np.concatenate([np.arange(test.start, test.stop) for test in tests])
            after = self.weights * self.model.table[rows]
            owed = self.owed * self.still_owing[rows] if self.prices.prove_first else self.owed
            owner = np.repeat(np.arange(len(tests)), [test.stop - test.start for test in tests])
            done = [self.done | {(test.procedure, test.step)} for test in tests]
            rest = self.best_rest(after, self.opened | {access}, owed, [done[place] for place in owner])
            totals = np.bincount(owner, rest, len(tests)) + self.setup(access, self.opened)
            values.update(zip(together, (totals + [test.minutes for test in tests]).tolist(), strict=True))
        return values

    def _takes(self, place: int, opened: frozenset[str]) -> float:
        test = self.model.tests[place]
        return test.minutes + self.setup(test.access, opened)

    def _far(self, place: int) -> float:
        """Cost of a test that is followed by those of most bits a minute, as far as :data:`FAR` tests in all, and by
        repairs wherever those are cheaper. What two actions ahead cannot see: a row of tests that pays only together.
        """
        return self._greedy(self.weights, self.opened, self.owed, self.done, FAR, place)

    def _greedy(
        self, weights: Array, opened: frozenset[str], owed: Array, done: Steps, depth: int, place: int = -1
    ) -> float:
        total = float(weights.sum())
        repairing = float(self.costs.expected(weights[None, :], opened, owed)[0])
        if total < FAR_WEIGHT or depth == 0:
            return repairing
        if place < 0:
            may = [number for number, test in enumerate(self.model.tests) if self.may(test, done)]
            bits = telling_power(self.model, weights / total)
            place = max(may, key=lambda number: bits[number] / self._takes(number, opened), default=-1)
            if place < 0 or bits[place] < TELLS_NOTHING:
                return repairing
            testing = self._greedy(weights, opened, owed, done, depth, place)
            return min(repairing, testing)
        test = self.model.tests[place]
        after, now = opened | {test.access}, done | {(test.procedure, test.step)}
        later = [
            self._greedy(weights * self.model.table[row], after, owed * self.still_owing[row], now, depth - 1)
            for row in range(test.start, test.stop)
        ]
        return self._takes(place, opened) * total + sum(later)
