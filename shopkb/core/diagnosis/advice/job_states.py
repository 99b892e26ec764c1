"""The states that an open job may come to: which tests are possible next, how long they take, and what proof costs.

Where a cause has to be proven before its repair, an unproven repair costs in addition the minutes of the cheapest chain
of tests that can prove it; otherwise a plan would count on fitting parts that it may not fit. A chain is a test with
all the tests that it needs first. Everything is computed for many states at once.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple, Self

import numpy as np

from shopkb.core.diagnosis.advice.repairs import Flags, Places, Prices, RepairCosts, repair_costs
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.posterior import posterior, rows_of
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.rates.intervals import Array

NEGLIGIBLE: Final = 20.0
"""Once a cause is proven, a plan leaves out the causes that are this many times less likely, or more: nobody tests for
them with the fault in hand. Our choice."""


class JobStates(NamedTuple):
    """States that a job may be in after some further tests, one a row.

    ``weights`` (n x causes) is the probability of state and cause together; ``opened`` (n x set-ups) are the set-up
    states reached, ``done`` (n x tests) the tests done, ``proven`` (n x repairs) the repairs whose cause a result
    named, and ``owed`` (n x repairs) the minutes that a proof of the others still takes.
    """

    weights: Array
    opened: Flags
    done: Flags
    proven: Flags
    owed: Array

    def at(self, rows: Places | Flags) -> JobStates:
        """The states of these rows."""
        return JobStates(self.weights[rows], self.opened[rows], self.done[rows], self.proven[rows], self.owed[rows])


@dataclass(frozen=True, eq=False)
class JobPosition:
    """An open job: what is believed of its causes, which steps are allowed, which set-up states are reached.

    ``recorded`` are the rows of the model's table that were answered; ``steps_done`` are the (procedure, step) done,
    also of procedures that the model does not cover. ``allowed`` as for :func:`next_action.advise`.
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
        """From what was recorded; arguments as for :func:`next_action.advise`."""
        done = frozenset((result.procedure, result.step) for result in results if result.outcome)
        if opened is None:
            opened = frozenset(
                test.access for test in model.tests if test.access and (test.procedure, test.step) in done
            )
        costs, weights = repair_costs(model, prices, not_cured), posterior(model, results, not_cured)
        return cls(model, prices, weights, costs, tuple(rows_of(model, results)), done, allowed, opened)

    @cached_property
    def current(self) -> JobStates:
        """The present state, as one row."""
        opened = np.array([state in self.opened for state in self.costs.states], dtype=bool)
        done = np.array([(test.procedure, test.step) in self.steps_done for test in self.model.tests], dtype=bool)
        owed = self.owed(opened[None, :], done[None, :]) * ~self.proven
        return JobStates(self.considered[None, :], opened[None, :], done[None, :], self.proven[None, :], owed)

    @cached_property
    def considered(self) -> Array:
        """What is believed of the causes that a plan looks at; sums to 1. All of them until one is proven."""
        named = (self.model.branches[row] for row in self.recorded)
        proven = [self.model.column_of[one.names] for one in named if one.names and one.proof in self.prices.proofs]
        still = [self.weights[column] for column in proven if self.costs.matrix[column, :-1].any()]
        kept = np.where(self.weights > max(still, default=0.0) / NEGLIGIBLE, self.weights, 0.0)
        return np.asarray(kept / kept.sum())

    def setup(self, access: str) -> float:
        """Minutes to reach a set-up state from here."""
        return 0.0 if access in self.opened else self.model.access_minutes.get(access, 0.0)

    def _is_allowed(self, key: tuple[str, str]) -> bool:
        return self.allowed is None or key in self.allowed

    @cached_property
    def _needs(self) -> Array:
        """Tests x tests: 1 where the first needs the second to be done before."""
        waits = np.zeros((len(self.model.tests), len(self.model.tests)))
        for place, test in enumerate(self.model.tests):
            for need in test.needs:
                other = self.model.test_of.get((test.procedure, need))
                if other is not None:
                    waits[place, other] = 1.0
        return waits

    @cached_property
    def chains(self) -> Array:
        """Tests x tests: 1 where the second belongs to the chain of the first, itself included."""
        chains = np.minimum(self._needs + np.eye(len(self.model.tests)), 1.0)
        while not np.array_equal(further := np.minimum(chains @ chains, 1.0), chains):
            chains = further
        return chains

    @cached_property
    def _possible(self) -> Flags:
        """By test: whether it can come at any time. A test that needs a step which is neither a test nor done
        cannot."""
        return np.array([
            self._is_allowed((test.procedure, test.step))
            and all((test.procedure, need) in self.model.test_of or (test.procedure, need) in self.steps_done
                    for need in test.needs)
            for test in self.model.tests
        ], dtype=bool)  # fmt: skip

    def possible_next(self, done: Flags) -> Flags:
        """States x tests: which may come next. ``done`` is states x tests."""
        ready: Flags = (1.0 - done) @ self._needs.T == 0
        return self._possible & ~done & ready

    def _chain_sums(self, tests: Places) -> Array:
        """What each test adds to the chains of ``tests``, as tests x (parts x ``tests``). The parts are: minutes, one
        for each set-up state (1 where the test is done in it), and 1 where the test is impossible."""
        chains = self.chains[tests]
        set_ups = (chains * self.state_of_test[:, place] for place in range(self._state_minutes.size))
        return np.concatenate([chains * self.model.minutes, *set_ups, chains * ~self._possible]).T.copy()

    def chain_minutes(self, opened: Flags, done: Flags, tests: Places, sums: Array) -> Array:
        """States x ``tests``: minutes of the chain of each, set-ups included; infinite for a test that is done or
        impossible. ``sums`` are those of :meth:`_chain_sums`."""
        parts = ((1.0 - done) @ sums).reshape(len(done), -1, tests.size)
        minutes = parts[:, 0]
        for place, cost in enumerate(self._state_minutes):
            minutes += np.where(opened[:, place, None], 0.0, cost) * (parts[:, 1 + place] > 0)
        return np.where(done[:, tests] | (parts[:, -1] > 0), np.inf, minutes)

    @cached_property
    def all_tests(self) -> tuple[Places, Array]:
        """The places of all tests, and the sums of their chains."""
        places = np.arange(len(self.model.tests))
        return places, self._chain_sums(places)

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

    def test_minutes(self, opened: Flags) -> Array:
        """States x tests: minutes of each test, those to reach its set-up state included."""
        minutes: Array = self.model.minutes + (~opened * self._state_minutes) @ self.state_of_test.T
        return minutes

    @cached_property
    def proves(self) -> Array:
        """Branches x repairs: 1 where a branch names one of a repair's causes with a proof that the shop accepts.

        The last column, looking further, is 0: no branch proves that none of the listed causes is the one."""
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
        """:attr:`proves` as booleans."""
        return np.asarray(self.proves > 0)

    @cached_property
    def sizes(self) -> Places:
        """Number of outcomes of each test."""
        return np.array([test.stop - test.start for test in self.model.tests], dtype=np.intp)

    @cached_property
    def _proving_tests(self) -> tuple[Places, list[tuple[int, Places]], Array]:
        """The tests that can prove something; each repair that can be proven, with the places of its tests among them;
        and the sums of the chains of those tests."""
        able = np.logical_or.reduceat(self.proving, self.model.starts) if self.model.tests else self.proving
        tests = np.flatnonzero(able.any(axis=1))
        repairs = np.flatnonzero(able.any(axis=0)).tolist()
        return tests, [(place, np.flatnonzero(able[tests, place])) for place in repairs], self._chain_sums(tests)

    def owed(self, opened: Flags, done: Flags) -> Array:
        """States x repairs: minutes of the cheapest chain that still leads to a proof; 0 where there is none or no
        proof is asked for."""
        if not self.prices.prove_first or not self._proving_tests[1]:
            return np.zeros((len(done), self.costs.minutes.size))
        tests, repairs, sums = self._proving_tests
        first, kind = _kinds(opened, done)
        takes = self.chain_minutes(opened[first], done[first], tests, sums)
        owed = np.zeros((len(first), self.costs.minutes.size))
        for place, able in repairs:
            owed[:, place] = takes[:, able].min(axis=1)
        owed[~np.isfinite(owed)] = 0.0
        return owed[kind]


def _kinds(opened: Flags, done: Flags) -> tuple[Places, Places]:
    """The first state of each kind, and the kind of each state. States with equal flags are of one kind: there are many
    states and few kinds."""
    both = np.packbits(np.concatenate([opened, done], axis=1), axis=1)
    if both.shape[1] > 8:
        return np.arange(len(done)), np.arange(len(done))
    keys = np.zeros((len(both), 8), dtype=np.uint8)
    keys[:, : both.shape[1]] = both
    _, first, kind = np.unique(keys.view(np.uint64)[:, 0], return_index=True, return_inverse=True)
    return first, kind
