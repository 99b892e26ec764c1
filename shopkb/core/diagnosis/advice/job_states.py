"""The ways that a job may go on: which tests may come, what they take, what a repair still owes for its proof.

Where a cause has to be proven before its repair, a repair that is not proven yet owes the minutes of the cheapest row
of tests that can prove it: else a plan would count on fitting parts that it may not fit. Everything is worked out for
many ways at once.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple, Self

import numpy as np

from shopkb.core.diagnosis.advice.repairs import Flags, Places, Prices, RepairCosts, repair_costs
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.posterior import posterior, rows_of
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.rates.intervals import Array


class Ways(NamedTuple):
    """Ways that a job may go on, one a row.

    ``weights`` (n x causes) sum to how likely the way is; ``opened`` (n x states) are the set-up states reached,
    ``done`` (n x tests) the tests done, ``proven`` (n x repairs) the repairs whose cause a result named, and ``owed``
    (n x repairs) the minutes that the others still owe for their proof.
    """

    weights: Array
    opened: Flags
    done: Flags
    proven: Flags
    owed: Array

    def at(self, rows: Places | Flags) -> Ways:
        """Some of them."""
        return Ways(self.weights[rows], self.opened[rows], self.done[rows], self.proven[rows], self.owed[rows])


@dataclass(frozen=True, eq=False)
class Ground:
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
    ) -> Self:  # fmt: skip
        """Where a job stands; see :func:`next_action.advise`."""
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
        owed = self.owed(opened[None, :], done[None, :]) * ~self.proven
        return Ways(self.weights[None, :], opened[None, :], done[None, :], self.proven[None, :], owed)

    def setup(self, access: str) -> float:
        """Minutes to reach a set-up state from here."""
        return 0.0 if access in self.opened else self.model.access_minutes.get(access, 0.0)

    def _is_allowed(self, key: tuple[str, str]) -> bool:
        return self.allowed is None or key in self.allowed

    @cached_property
    def _waits(self) -> Array:
        """Tests x tests: 1 where the one needs the other to be done before."""
        waits = np.zeros((len(self.model.tests), len(self.model.tests)))
        for place, test in enumerate(self.model.tests):
            for need in test.needs:
                other = self.model.test_of.get((test.procedure, need))
                if other is not None:
                    waits[place, other] = 1.0
        return waits

    @cached_property
    def rows(self) -> Array:
        """Tests x tests: 1 in the row that leads to a test, of all that it needs, however far back, and itself."""
        rows = np.minimum(self._waits + np.eye(len(self.model.tests)), 1.0)
        while not np.array_equal(further := np.minimum(rows @ rows, 1.0), rows):
            rows = further
        return rows

    @cached_property
    def _possible(self) -> Flags:
        """By test: whether it may come at some time; not what needs a step that is no test and not done."""
        return np.array([
            self._is_allowed((test.procedure, test.step))
            and all((test.procedure, need) in self.model.test_of or (test.procedure, need) in self.steps_done
                    for need in test.needs)
            for test in self.model.tests
        ], dtype=bool)  # fmt: skip

    def may(self, done: Flags) -> Flags:
        """Ways x tests: which may come next. ``done`` is ways x tests."""
        ready: Flags = (1.0 - done) @ self._waits.T == 0
        return self._possible & ~done & ready

    def _row_sums(self, tests: Places) -> Array:
        """Tests x what the rows to ``tests`` hold of them, side by side: minutes, steps in each set-up state, steps
        that may not come."""
        rows = self.rows[tests]
        states = (rows * self.state_of_test[:, place] for place in range(self._state_minutes.size))
        return np.concatenate([rows * self.model.minutes, *states, rows * ~self._possible]).T.copy()

    def row_takes(self, opened: Flags, done: Flags, tests: Places, sums: Array) -> Array:
        """Ways x ``tests``: minutes of the row that leads to each, set-ups included; infinite for what is done or may
        not come. ``sums`` are those of :meth:`_row_sums`."""
        parts = ((1.0 - done) @ sums).reshape(len(done), -1, tests.size)
        minutes = parts[:, 0]
        for place, cost in enumerate(self._state_minutes):
            minutes += np.where(opened[:, place, None], 0.0, cost) * (parts[:, 1 + place] > 0)
        return np.where(done[:, tests] | (parts[:, -1] > 0), np.inf, minutes)

    @cached_property
    def all_tests(self) -> tuple[Places, Array]:
        places = np.arange(len(self.model.tests))
        return places, self._row_sums(places)

    @cached_property
    def state_of_test(self) -> Flags:
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
        minutes: Array = self.model.minutes + (~opened * self._state_minutes) @ self.state_of_test.T
        return minutes

    @cached_property
    def proves(self) -> Array:
        """Branches x repairs: 1 where a branch names one of a repair's causes with a proof that the shop accepts.

        Nothing proves that looking further is needed, not even a proof of what was repaired without a cure."""
        found = np.zeros((len(self.model.branches), self.costs.minutes.size))
        for row, branch in enumerate(self.model.branches):
            column = self.model.column_of.get(branch.names)
            if branch.names and column is not None and branch.proof in self.prices.proofs:
                found[row, :-1] = self.costs.matrix[column, :-1]
        return found

    @cached_property
    def proven(self) -> Flags:
        """By repair: whether a result has proven one of its causes."""
        return np.asarray(self.proves[list(self.recorded)].sum(axis=0) > 0)

    @cached_property
    def proving(self) -> Flags:
        return np.asarray(self.proves > 0)

    @cached_property
    def sizes(self) -> Places:
        """Outcomes of each test."""
        return np.array([test.stop - test.start for test in self.model.tests], dtype=np.intp)

    @cached_property
    def _provers(self) -> tuple[Places, list[tuple[int, Places]], Array]:
        """The tests that prove something; the repairs that they can prove, each with the places of its own among them;
        and the sums of their rows."""
        able = np.logical_or.reduceat(self.proving, self.model.starts) if self.model.tests else self.proving
        tests = np.flatnonzero(able.any(axis=1))
        repairs = np.flatnonzero(able.any(axis=0)).tolist()
        return tests, [(place, np.flatnonzero(able[tests, place])) for place in repairs], self._row_sums(tests)

    def owed(self, opened: Flags, done: Flags) -> Array:
        """Ways x repairs: minutes of the cheapest row that still leads to a proof; 0 where none does or nothing is
        asked."""
        if not self.prices.prove_first or not self._provers[1]:
            return np.zeros((len(done), self.costs.minutes.size))
        tests, repairs, sums = self._provers
        first, kind = _kinds(opened, done)
        takes = self.row_takes(opened[first], done[first], tests, sums)
        owed = np.zeros((len(first), self.costs.minutes.size))
        for place, able in repairs:
            owed[:, place] = takes[:, able].min(axis=1)
        owed[~np.isfinite(owed)] = 0.0
        return owed[kind]


def _kinds(opened: Flags, done: Flags) -> tuple[Places, Places]:
    """One way of each kind, and the kind of each way; ways with the same flags are of one kind. Ways are many, kinds
    few."""
    both = np.packbits(np.concatenate([opened, done], axis=1), axis=1)
    if both.shape[1] > 8:
        return np.arange(len(done)), np.arange(len(done))
    keys = np.zeros((len(both), 8), dtype=np.uint8)
    keys[:, : both.shape[1]] = both
    _, first, kind = np.unique(keys.view(np.uint64)[:, 0], return_index=True, return_inverse=True)
    return first, kind
