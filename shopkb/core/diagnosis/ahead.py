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
from typing import Final, NamedTuple

import numpy as np

from shopkb.core.diagnosis.bits import telling_powers
from shopkb.core.diagnosis.cases import CaseResult
from shopkb.core.diagnosis.cause_model import CauseModel
from shopkb.core.diagnosis.posterior import posterior, rows_of
from shopkb.core.diagnosis.rates import Array
from shopkb.core.diagnosis.repairs import Flags, Places, Prices, RepairCosts, repair_costs

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


class Ways(NamedTuple):
    """Ways that a job may go on, one a row.

    ``weights`` (n x causes) sum to how likely the way is; ``opened`` (n x states) are the set-up states reached,
    ``owed`` (n x repairs) the minutes that repairs still owe for their proof, ``done`` (n x tests) the tests done.
    """

    weights: Array
    opened: Flags
    owed: Array
    done: Flags

    def at(self, rows: Places | Flags) -> Ways:
        """Some of them."""
        return Ways(self.weights[rows], self.opened[rows], self.owed[rows], self.done[rows])


@dataclass(frozen=True, eq=False)
class Position:
    """An open job: what is believed, what may be done, what has been reached.

    ``recorded`` are the rows of the table that were found; ``steps_done`` those of any procedure, whether the model
    knows them or not.
    """

    model: CauseModel
    prices: Prices
    weights: Array
    costs: RepairCosts
    recorded: tuple[int, ...]
    steps_done: frozenset[tuple[str, str]]
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

    @cached_property
    def here(self) -> Ways:
        """The one way that was gone."""
        opened = np.array([state in self.opened for state in self.costs.states], dtype=bool)
        done = np.array([(test.procedure, test.step) in self.steps_done for test in self.model.tests], dtype=bool)
        return Ways(self.weights[None, :], opened[None, :], self.owed[None, :], done[None, :])

    def setup(self, access: str) -> float:
        """Minutes to reach a set-up state from here."""
        return 0.0 if access in self.opened else self.model.access_minutes.get(access, 0.0)

    def _is_allowed(self, key: tuple[str, str]) -> bool:
        return self.allowed is None or key in self.allowed

    @cached_property
    def _waits(self) -> Flags:
        """Tests x tests: whether the one needs the other to be done before."""
        waits = np.zeros((len(self.model.tests), len(self.model.tests)), dtype=bool)
        for place, test in enumerate(self.model.tests):
            for need in test.needs:
                other = self.model.test_of.get((test.procedure, need))
                if other is not None:
                    waits[place, other] = True
        return waits

    @cached_property
    def _possible(self) -> Flags:
        """By test: whether it may come at some time. What needs a step that no test is, and that is not done, may not."""
        return np.array([
            self._is_allowed((test.procedure, test.step))
            and all((test.procedure, need) in self.model.test_of or (test.procedure, need) in self.steps_done
                    for need in test.needs)
            for test in self.model.tests
        ], dtype=bool)  # fmt: skip

    def may(self, done: Flags) -> Flags:
        """Ways x tests: which may come next. ``done`` is ways x tests."""
        return self._possible & ~done & ~(~done[:, None, :] & self._waits).any(axis=2)

    @cached_property
    def _state_of_test(self) -> Flags:
        """Tests x states: the set-up state in which each is done."""
        found = np.zeros((len(self.model.tests), len(self.costs.states)), dtype=bool)
        for place, test in enumerate(self.model.tests):
            if test.access in self.costs.states:
                found[place, self.costs.states[test.access]] = True
        return found

    @cached_property
    def _state_minutes(self) -> Array:
        return np.array([self.model.access_minutes[state] for state in self.costs.states], dtype=float)

    def takes(self, opened: Flags) -> Array:
        """Ways x tests: minutes of each test, those to its set-up state included."""
        minutes: Array = self.model.minutes + (~opened * self._state_minutes) @ self._state_of_test.T
        return minutes

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
    def proven(self) -> Flags:
        """By repair: whether a result has proven one of its causes."""
        return np.asarray(self.proves[list(self.recorded)].sum(axis=0) > 0)

    @cached_property
    def owed(self) -> Array:
        """By repair: minutes of the cheapest test that can still prove it; 0 where none can, or nothing is asked."""
        least = np.full(self.costs.minutes.size, np.inf)
        if self.prices.prove_first:
            for test in self.model.tests:
                key = (test.procedure, test.step)
                if key not in self.steps_done and self._is_allowed(key):
                    able = self.proves[test.start : test.stop].any(axis=0)
                    least[able] = np.minimum(least[able], test.minutes + self.setup(test.access))
        return np.where(np.isfinite(least) & ~self.proven, least, 0.0)

    @cached_property
    def _still_owing(self) -> Array:
        """Branches x repairs: 0 where the branch pays what a repair owes."""
        return 1.0 - self.proves

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
            if min(expected.values()) >= self.without_tests - SAVES_NOTHING:
                power = telling_powers(self.model, self.weights[None, :])[0] / self.takes(self.here.opened)[0]
                far = places[np.argsort(-power[places], kind="stable")][:FAR_BREADTH]
                for place, minutes in zip(far.tolist(), self._far(far).tolist(), strict=True):
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
        ways = ways._replace(weights=self.weights * (self.costs.matrix[:, places].T == 0))
        after = self.best_rest(ways) if ahead == 2 else self.repairing(ways)
        return dict(zip(places.tolist(), after.tolist(), strict=True))

    def repairing(self, ways: Ways) -> Array:
        """Cost by way of repairs without further tests, times the weight of the way."""
        return self.costs.expected(ways.weights, ways.opened, ways.owed if self.prices.prove_first else None)

    def testing(self, ways: Ways, places: Places) -> Array:
        """Cost of each test followed by repairs, times the weight of the way: ways x places."""
        after, starts = self._after(ways, places)
        rest = self.repairing(after).reshape(len(ways.weights), -1)
        minutes = self.takes(ways.opened)[:, places] * ways.weights.sum(axis=1)[:, None]
        value: Array = np.add.reduceat(rest, starts, axis=1) + minutes
        return value

    def _after(self, ways: Ways, places: Places) -> tuple[Ways, Places]:
        """The ways behind every outcome of those tests, way by way, and where those of each test start in a way."""
        tests = [self.model.tests[place] for place in places]
        rows = np.concatenate([np.arange(test.start, test.stop) for test in tests])
        sizes = [test.stop - test.start for test in tests]
        owner, n = np.repeat(places, sizes), len(ways.weights) * len(rows)
        states = self._state_of_test[owner]
        after = Ways(
            (ways.weights[:, None, :] * self.model.table[rows]).reshape(n, -1),
            (ways.opened[:, None, :] | states).reshape(n, states.shape[1]),
            (ways.owed[:, None, :] * self._still_owing[rows]).reshape(n, -1),
            (ways.done[:, None, :] | (np.arange(len(self.model.tests)) == owner[:, None])).reshape(n, -1),
        )
        return after, np.cumsum([0, *sizes[:-1]])

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
        after, starts = self._after(self.here, places)
        value: Array = np.add.reduceat(self.best_rest(after), starts) + self.takes(self.here.opened)[0, places]
        return value

    def _far(self, places: Places) -> Array:
        """Cost of each test when it is followed by those of most bits a minute, as far as :data:`FAR` tests in all, and
        by repairs wherever those are cheaper. What two actions ahead cannot see: a row of tests that pays only
        together."""
        first = self.here.at(np.zeros(len(places), dtype=np.intp))
        return self._greedy(first, places, FAR - 1) if FAR else np.full(len(places), np.inf)

    def _greedy(self, ways: Ways, chosen: Places, further: int) -> Array:
        """Cost by way of the test chosen for it and of what follows, at most ``further`` tests more."""
        rows = [np.arange(self.model.tests[place].start, self.model.tests[place].stop) for place in chosen]
        sizes = [row.size for row in rows]
        owner, row = np.repeat(np.arange(len(chosen)), sizes), np.concatenate(rows)
        before = ways.at(owner)
        later = Ways(
            before.weights * self.model.table[row],
            before.opened | self._state_of_test[chosen[owner]],
            before.owed * self._still_owing[row],
            before.done | (np.arange(len(self.model.tests)) == chosen[owner][:, None]),
        )
        takes = self.takes(ways.opened)[np.arange(len(chosen)), chosen] * ways.weights.sum(axis=1)
        best = self.repairing(later)
        if further:
            worth, place = self._most_telling(later)
            if worth.any():
                best[worth] = np.minimum(best[worth], self._greedy(later.at(worth), place[worth], further - 1))
        value: Array = takes + np.add.reduceat(best, np.cumsum([0, *sizes[:-1]]))
        return value

    def _most_telling(self, ways: Ways) -> tuple[Flags, Places]:
        """By way whether a further test is worth a look, and the one of most bits a minute."""
        total = ways.weights.sum(axis=1)
        bits = telling_powers(self.model, ways.weights / np.maximum(total, 1e-300)[:, None])
        power = np.where(self.may(ways.done), bits / self.takes(ways.opened), -1.0)
        place = power.argmax(axis=1)
        enough = np.take_along_axis(bits, place[:, None], axis=1)[:, 0] >= TELLS_NOTHING
        return (total >= FAR_WEIGHT) & (power.max(axis=1) >= 0) & enough, place
