"""Look-ahead on an open job: the expected minutes to the cure after each test or repair.

The search looks two actions ahead and then takes the cost of repairing without further tests (:mod:`.repairs`). One
action ahead is the myopic rule of D. Heckerman, J. Breese and K. Rommelse, Decision-theoretic troubleshooting,
CACM 38(3), 1995. A test often needs others first, and such a chain pays only as a whole; so the chains with the highest
information gain are followed further. :mod:`.job_states` gives what is possible and how long it takes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from shopkb.core.diagnosis.advice.job_states import JobPosition, JobStates
from shopkb.core.diagnosis.advice.repairs import Flags, Places
from shopkb.core.diagnosis.belief.information import information_gains
from shopkb.core.diagnosis.rates.intervals import Array

BREADTH: Final = 12
"""How many tests, the best by one action ahead, are looked at two actions ahead."""

LATER_BREADTH: Final = 16
"""How many tests are looked at in each state that one of those leads to."""

NO_INFORMATION: Final = 0.01
"""Information gain in bits below which a test is not worth its minutes even where a cause has to be proven."""

NO_SAVING: Final = 1e-9
"""Minutes; a smaller saving is rounding."""

CHAIN_LENGTH: Final = 5
CHAIN_STARTS: Final = 3
CHAIN_LEAST_WEIGHT: Final = 0.01
"""Chains are followed for up to ``CHAIN_LENGTH`` tests, from up to ``CHAIN_STARTS`` first tests, through states with at
least the probability ``CHAIN_LEAST_WEIGHT``."""


@dataclass(frozen=True, eq=False)
class Lookahead(JobPosition):
    """An open job with the expected cost of each test or repair that may come next."""

    @cached_property
    def without_tests(self) -> float:
        """Expected minutes of repairing now without further tests."""
        return float(self.repairing(self.current)[0])

    def chance_to_prove(self, place: int) -> float:
        """Probability that a test proves the cause that is there and is not proven yet."""
        test = self.model.tests[place]
        rows = slice(test.start, test.stop)
        named = np.where(self.proven, 0.0, self.proves[rows]) @ self.costs.matrix.T
        return float((named * self.model.table[rows]).sum(axis=0) @ self.considered)

    def cost_after_tests(self, depth: int) -> dict[int, float]:
        """Expected minutes to the cure, by the place of each test that may come next; ``depth`` is 1 or 2 actions."""
        places = (
            np.flatnonzero(self.possible_next(self.current.done)[0]) if self.model.tests else np.zeros(0, dtype=np.intp)
        )
        if not places.size:
            return {}
        expected = dict(zip(places.tolist(), self.testing(self.current, places)[0].tolist(), strict=True))
        if depth == 2:
            best = np.array(sorted(expected, key=expected.__getitem__)[:BREADTH], dtype=np.intp)
            expected.update(zip(best.tolist(), self._two_ahead(best).tolist(), strict=True))
            first = self._first_steps()
            for place, minutes in zip(first.tolist(), self._chain_costs(first).tolist(), strict=True):
                expected[place] = min(expected[place], minutes)
        return expected

    def cost_after_repairs(self, depth: int) -> dict[int, float]:
        """Expected minutes after each repair that does not cure, by its place; the last one is to look further. Repairs
        already tried are left out."""
        places = np.flatnonzero(self.costs.matrix.any(axis=0))
        states = self.current.at(np.zeros(len(places), dtype=np.intp))
        for row, place in enumerate(places):
            if self.costs.access[place] in self.costs.states:
                states.opened[row, self.costs.states[self.costs.access[place]]] = True
        left = self.considered * (self.costs.matrix[:, places].T == 0)
        states = states._replace(weights=left, owed=self.owed(states.opened, states.done) * ~states.proven)
        after = self.best_remaining(states) if depth == 2 else self.repairing(states)
        return dict(zip(places.tolist(), after.tolist(), strict=True))

    def repairing(self, states: JobStates) -> Array:
        """By state: expected minutes of repairing without further tests, times the probability of the state."""
        return self.costs.expected(states.weights, states.opened, states.owed if self.prices.prove_first else None)

    def testing(self, states: JobStates, places: Places) -> Array:
        """States x places: expected minutes of each test followed by repairs, times the probability of the state."""
        n = len(states.weights)
        chosen = np.tile(places, n)
        after, starts = self.after(states.at(np.repeat(np.arange(n), len(places))), chosen)
        rest = np.add.reduceat(self.repairing(after), starts).reshape(n, len(places))
        value: Array = rest + self.test_minutes(states.opened)[:, places] * states.weights.sum(axis=1)[:, None]
        return value

    def after(self, states: JobStates, chosen: Places) -> tuple[JobStates, Places]:
        """The states after every outcome of the test chosen for each state, and the row where those of each one
        start."""
        sizes = self.sizes[chosen]
        starts = np.cumsum(sizes) - sizes
        owner = np.repeat(np.arange(len(chosen)), sizes)
        row = self.model.starts[chosen][owner] + np.arange(owner.size) - starts[owner]
        opened, done = states.opened | self.state_of_test[chosen], states.done.copy()
        done[np.arange(len(chosen)), chosen] = True
        proven = states.proven[owner] | self.proving[row]
        owed = self.owed(opened, done)[owner] * ~proven
        return JobStates(
            states.weights[owner] * self.model.table[row], opened[owner], done[owner], proven, owed
        ), starts

    def best_remaining(self, states: JobStates) -> Array:
        """By state: the cheaper of repairing now and of one more test before, times the probability of the state."""
        best = self.repairing(states)
        row, place = (
            np.nonzero(self._promising(states, best)) if self.model.tests else (np.zeros(0, dtype=np.intp),) * 2
        )
        if row.size:
            after, starts = self.after(states.at(row), place)
            minutes = self.test_minutes(states.opened)[row, place] * states.weights.sum(axis=1)[row]
            np.minimum.at(best, row, np.add.reduceat(self.repairing(after), starts) + minutes)
        return best

    def _promising(self, states: JobStates, now: Array) -> Flags:
        """States x tests: those that may come next; of more than :data:`LATER_BREADTH` in a state the ones that promise
        most. ``now`` is the cost of repairing at once, by state.

        A test promises what its bits are worth, at the price that all bits together save, and the minutes of the proofs
        that it gives, less its own minutes.
        """
        may = self.possible_next(states.done)
        if may.sum(axis=1).max(initial=0) <= LATER_BREADTH:
            return may
        total, masses = states.weights.sum(axis=1), self.costs.masses(states.weights)
        shares = masses / np.maximum(total, 1e-300)[:, None]
        bits_left = -(masses * np.log2(np.maximum(shares, 1e-300))).sum(axis=1)
        known = (masses * (self.costs.minutes + states.owed)).sum(axis=1)
        price = np.maximum(now - known, 0.0) / np.maximum(bits_left, 1e-9)
        gain = information_gains(self.model, states.weights / np.maximum(total, 1e-300)[:, None]) * total[:, None]
        promise = price[:, None] * gain - self.test_minutes(states.opened) * total[:, None] + self._proofs(states)
        least = np.partition(np.where(may, promise, -np.inf), -LATER_BREADTH, axis=1)[:, -LATER_BREADTH]
        promising: Flags = may & (promise >= least[:, None])
        return promising

    def _proofs(self, states: JobStates) -> Array:
        """States x tests: minutes of the proofs still owed that each test is expected to give."""
        owed = states.weights * (states.owed @ self.costs.matrix.T)
        return np.add.reduceat(owed @ self._proving_table.T, self.model.starts, axis=1)

    @cached_property
    def _proving_table(self) -> Array:
        """The table of likelihoods, 0 but where an outcome proves the cause."""
        return np.asarray((self.proves @ self.costs.matrix.T > 0) * self.model.table)

    def _two_ahead(self, places: Places) -> Array:
        """Expected minutes of each test followed by the cheaper of repairs and of one more test."""
        after, starts = self.after(self.current.at(np.zeros(len(places), dtype=np.intp)), places)
        value: Array = (
            np.add.reduceat(self.best_remaining(after), starts) + self.test_minutes(self.current.opened)[0, places]
        )
        return value

    def _chain_costs(self, places: Places) -> Array:
        """Expected minutes of each test when it is followed by the chains with the most bits a minute, up to
        :data:`CHAIN_LENGTH` tests in all, and by repairs wherever those are cheaper."""
        if not CHAIN_LENGTH or not places.size:
            return np.full(len(places), np.inf)
        return self._follow_chain(self.current.at(np.zeros(len(places), dtype=np.intp)), places, CHAIN_LENGTH - 1)

    def _follow_chain(self, states: JobStates, chosen: Places, further: int) -> Array:
        """By state: expected minutes of the test chosen for it and of at most ``further`` tests after it, times the
        probability of the state."""
        later, starts = self.after(states, chosen)
        best = self.repairing(later)
        if further:
            worth, place = self._most_informative(later)
            if worth.any():
                best[worth] = np.minimum(best[worth], self._follow_chain(later.at(worth), place[worth], further - 1))
        minutes = self.test_minutes(states.opened)[np.arange(len(chosen)), chosen] * states.weights.sum(axis=1)
        value: Array = minutes + np.add.reduceat(best, starts)
        return value

    def _first_steps(self) -> Places:
        """The first tests of the chains with the most bits a minute, at most :data:`CHAIN_STARTS`."""
        gain, _ = self._gain_per_minute(self.current)
        may, first = self.possible_next(self.current.done)[0], list[int]()
        for place in np.argsort(-gain[0], kind="stable"):
            step = int(np.argmax(self.chains[place] * may))
            if gain[0, place] > 0 and step not in first:
                first.append(step)
        return np.array(first[:CHAIN_STARTS], dtype=np.intp)

    def _gain_per_minute(self, states: JobStates) -> tuple[Array, Array]:
        """States x tests: bits a minute of the chain of each test, and bits."""
        total = states.weights.sum(axis=1)
        bits = information_gains(self.model, states.weights / np.maximum(total, 1e-300)[:, None])
        return bits / self.chain_minutes(states.opened, states.done, *self.all_tests), bits

    def _most_informative(self, states: JobStates) -> tuple[Flags, Places]:
        """By state: whether a further test is worth looking at, and the first test of the chain with the most bits a
        minute."""
        gain, bits = self._gain_per_minute(states)
        goal = gain.argmax(axis=1)[:, None]
        enough = np.take_along_axis(np.where(gain > 0, bits, 0.0), goal, axis=1)[:, 0] >= NO_INFORMATION
        step = (self.chains[goal[:, 0]] * self.possible_next(states.done)).argmax(axis=1)
        return (states.weights.sum(axis=1) >= CHAIN_LEAST_WEIGHT) & enough, step
