"""What to do next: the test or repair that leads to a cure in the fewest expected minutes; how telling each test is.

Two actions are looked ahead; after them, repairing without further tests (:mod:`repairs`) stands for the rest. One
action ahead is the myopic rule of D. Heckerman, J. Breese and K. Rommelse, Decision-theoretic troubleshooting,
CACM 38(3), 1995. Bits are shown, minutes decide: when to stop testing matters more than which measure ranks the tests.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from shopkb.core.diagnosis.cases import CaseResult
from shopkb.core.diagnosis.cause_model import CauseModel, Test
from shopkb.core.diagnosis.posterior import posterior, rows_of
from shopkb.core.diagnosis.rates import Array
from shopkb.core.diagnosis.repairs import USUAL_PRICES, Prices, RepairCosts, repair_costs

BREADTH: Final = 12
"""How many tests, best first by one step ahead, are looked at two steps ahead."""

TELLS_NOTHING: Final = 0.01
"""Bits below which a test is not worth its walk even where a cause has to be proven."""

SAVES_NOTHING: Final = 1e-9
LOOK_FURTHER: Final = "Look further."

FAR: Final = 5
FAR_BREADTH: Final = 3
FAR_WEIGHT: Final = 0.01
"""Before it is said that no test is worth its minutes: rows of so many tests are tried, from so many first ones; ways
less likely than this are not followed."""

LN2: Final = float(np.log(2))


@dataclass(frozen=True, slots=True)
class TestOption:
    """A test that could come next.

    ``minutes`` are its own, ``setup`` those to reach its set-up state from here, ``expected`` those from here to the
    cure if it comes next; it ``saves`` against repairing without further tests. ``bits`` are about which repair is
    needed: telling power.
    """

    __test__ = False  # not a pytest class

    procedure: str
    step: str
    title: str
    minutes: float
    setup: float
    expected: float
    saves: float
    bits: float

    @property
    def bits_per_minute(self) -> float:
        return self.bits / (self.minutes + self.setup)

    @property
    def words(self) -> str:
        """One sentence on what it costs and brings."""
        way = f" and {self.setup:.0f} to get there" if self.setup >= 0.5 else ""
        gain = f"saves {self.saves:.0f} minutes" if self.saves >= 0.5 else "saves nothing"
        return f"{self.title}: {_minutes(self.minutes)}{way}; {self.bits:.2f} bits; {gain} on average."


@dataclass(frozen=True, slots=True)
class RepairOption:
    """A repair that could come next. ``cures`` is the probability that it does; ``proven`` whether a result named one
    of its causes with a proof that the shop's rule accepts. ``minutes`` hold the part's price at the hourly rate. One
    choice ``looks_further``: for a cause that nothing listed puts right."""

    causes: tuple[str, ...]
    correction: str
    minutes: float
    setup: float
    expected: float
    cures: float
    proven: bool
    looks_further: bool = False


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do next. ``test`` or ``repair`` is the advice, never both; neither when nothing is left at all.

    ``tests`` and ``repairs`` hold every choice, cheapest first. ``without_tests`` is what repairing from here costs, in
    expected minutes. ``nothing_left`` says that no test is worth its minutes.
    """

    test: TestOption | None
    repair: RepairOption | None
    tests: tuple[TestOption, ...]
    repairs: tuple[RepairOption, ...]
    without_tests: float
    nothing_left: bool
    words: str


def telling_power(model: CauseModel, weights: Array) -> Array:
    """Expected bits that each test tells about which repair is needed; ``weights`` is P(cause) now. Exact.

    Two causes with one correction count as one: bits that only separate those are worth nothing. O(branches x causes).
    """
    if not model.tests:
        return np.zeros(0)
    if model.one_cause_each:
        outcomes = model.table @ weights
        gain = np.add.reduceat(-_xlogx(outcomes), model.starts) - model.outcome_entropy @ weights
    else:
        joint = _by_repair(model, weights)
        outcomes = joint.sum(axis=1)
        both = _xlogx(joint).sum(axis=1) - _xlogx(outcomes)
        gain = np.add.reduceat(both, model.starts) - _xlogx(weights @ model.repair_matrix).sum()
    bits: Array = np.maximum(gain / LN2, 0.0)
    return bits


def gini_drop(model: CauseModel, weights: Array) -> Array:
    """Expected drop of the Gini impurity over repairs by each test. O(branches x causes)."""
    if not model.tests:
        return np.zeros(0)
    joint = _by_repair(model, weights)
    outcomes = joint.sum(axis=1)
    kept = (joint**2).sum(axis=1) / np.where(outcomes > 0, outcomes, 1)
    drop: Array = np.add.reduceat(kept, model.starts) - ((weights @ model.repair_matrix) ** 2).sum()
    return drop


def advise(
    model: CauseModel,
    results: Sequence[CaseResult] = (),
    not_cured: Sequence[str] = (),
    *,
    prices: Prices = USUAL_PRICES,
    allowed: Collection[tuple[str, str]] | None = None,
    opened: frozenset[str] | None = None,
    ahead: int = 2,
) -> Advice:
    """The most telling next test or repair on an open job.

    Whatever was recorded in any run counts, and so do repairs that did not cure (identities in ``not_cured``).
    ``allowed`` holds the (procedure, step) whose safety preconditions are met; no other is advised or planned with.
    ``None`` allows all. ``opened`` holds the set-up states reached; by default those of the steps done. ``ahead`` is
    how many actions are looked ahead, 1 or 2. Steps done, and steps whose ``needs`` are not done, are left out.

    Raises:
        ValueError: ``ahead`` is neither 1 nor 2.
    """
    if ahead not in (1, 2):
        raise ValueError(f"One or two actions can be looked ahead; got {ahead}.")
    state = _State.of(model, results, not_cured, prices, allowed, opened)
    tests, repairs = state.test_options(ahead), state.repair_options(results, prices, ahead)
    without = float(state.costs.expected(state.weights[None, :], state.opened)[0])
    return _advice(tests, repairs, without, prices)


@dataclass(frozen=True, eq=False)
class _State:
    """An open job: what is believed, what may be done, what has been reached."""

    model: CauseModel
    weights: Array
    costs: RepairCosts
    done: frozenset[tuple[str, str]]
    allowed: Collection[tuple[str, str]] | None
    opened: frozenset[str]
    tried: frozenset[str]

    @classmethod
    def of(
        cls,
        model: CauseModel,
        results: Sequence[CaseResult],
        not_cured: Sequence[str],
        prices: Prices,
        allowed: Collection[tuple[str, str]] | None,
        opened: frozenset[str] | None,
    ) -> _State:
        done = frozenset((result.procedure, result.step) for result in results if result.outcome)
        if opened is None:
            opened = frozenset(
                test.access for test in model.tests if test.access and (test.procedure, test.step) in done
            )
        costs = repair_costs(model, prices, not_cured)
        weights = posterior(model, results, not_cured)
        return cls(model, weights, costs, done, allowed, opened, frozenset(not_cured))

    def may(self, test: Test, done: frozenset[tuple[str, str]]) -> bool:
        """Whether a test may come once those are done."""
        key = (test.procedure, test.step)
        if key in done or (self.allowed is not None and key not in self.allowed):
            return False
        return all((test.procedure, need) in done for need in test.needs)

    def setup(self, access: str, opened: frozenset[str]) -> float:
        return 0.0 if access in opened else self.model.access_minutes.get(access, 0.0)

    def test_options(self, ahead: int) -> tuple[TestOption, ...]:
        places = [place for place, test in enumerate(self.model.tests) if self.may(test, self.done)]
        if not places:
            return ()
        one = self.one_ahead(self.weights[None, :], self.opened, places)[0]
        expected = dict(zip(places, one.tolist(), strict=True))
        if ahead == 2:
            best = sorted(places, key=expected.__getitem__)[:BREADTH]
            expected.update(self._two_ahead(best))
        without = float(self.costs.expected(self.weights[None, :], self.opened)[0])
        bits = telling_power(self.model, self.weights)
        if ahead == 2 and min(expected.values()) >= without - SAVES_NOTHING:
            far = sorted(places, key=lambda place: -bits[place] / self._takes(place, self.opened))[:FAR_BREADTH]
            expected.update({place: min(expected[place], self._far(place)) for place in far})
        options = [self._option(place, expected[place], without, float(bits[place])) for place in places]
        return tuple(sorted(options, key=lambda option: option.expected))

    def _option(self, place: int, expected: float, without: float, bits: float) -> TestOption:
        test = self.model.tests[place]
        setup = self.setup(test.access, self.opened)
        return TestOption(
            test.procedure, test.step, test.title, test.minutes, setup, expected, without - expected, bits
        )

    def one_ahead(self, weights: Array, opened: frozenset[str], places: Sequence[int]) -> Array:
        """Cost of each test followed by repairs, times the weight of the row: n x places."""
        value = np.empty((len(weights), len(places)))
        by_access: dict[str, list[int]] = {}
        for column, place in enumerate(places):
            by_access.setdefault(self.model.tests[place].access, []).append(column)
        for access, columns in by_access.items():
            value[:, columns] = self._behind(weights, opened, access, [places[column] for column in columns])
        return value

    def _behind(self, weights: Array, opened: frozenset[str], access: str, places: Sequence[int]) -> Array:
        """The same for tests of one set-up state."""
        tests = [self.model.tests[place] for place in places]
        rows = np.concatenate([np.arange(test.start, test.stop) for test in tests])
        after = (weights[:, None, :] * self.model.table[rows]).reshape(-1, weights.shape[1])
        rest = self.costs.expected(after, opened | {access}).reshape(len(weights), -1)
        starts = np.cumsum([0, *(test.stop - test.start for test in tests[:-1])])
        minutes = np.array([test.minutes for test in tests]) + self.setup(access, opened)
        value: Array = np.add.reduceat(rest, starts, axis=1) + weights.sum(axis=1)[:, None] * minutes
        return value

    def _takes(self, place: int, opened: frozenset[str]) -> float:
        test = self.model.tests[place]
        return test.minutes + self.setup(test.access, opened)

    def _far(self, place: int) -> float:
        """Cost of a test that is followed by those of most bits a minute, as far as :data:`FAR` tests in all, and by
        repairs wherever those are cheaper. What two actions ahead cannot see: a row of tests that pays only together.
        """
        return self._greedy(self.weights, self.opened, self.done, FAR, place)

    def _greedy(
        self, weights: Array, opened: frozenset[str], done: frozenset[tuple[str, str]], depth: int, place: int = -1
    ) -> float:
        total = float(weights.sum())
        repairing = float(self.costs.expected(weights[None, :], opened)[0])
        if total < FAR_WEIGHT or depth == 0:
            return repairing
        if place < 0:
            may = [number for number, test in enumerate(self.model.tests) if self.may(test, done)]
            bits = telling_power(self.model, weights / total)
            place = max(may, key=lambda number: bits[number] / self._takes(number, opened), default=-1)
            if place < 0 or bits[place] < TELLS_NOTHING:
                return repairing
            testing = self._greedy(weights, opened, done, depth, place)
            return min(repairing, testing)
        test = self.model.tests[place]
        after, now = opened | {test.access}, done | {(test.procedure, test.step)}
        later = [self._greedy(weights * row, after, now, depth - 1) for row in self.model.table[test.start : test.stop]]
        return self._takes(place, opened) * total + sum(later)

    def best_rest(self, weights: Array, opened: frozenset[str], done: Sequence[frozenset[tuple[str, str]]]) -> Array:
        """For each row the cheaper of repairing now and one more test before; ``done`` holds the steps done by row."""
        best = self.costs.expected(weights, opened)
        by_done = {steps: [self.may(test, steps) for test in self.model.tests] for steps in set(done)}
        may = np.array([by_done[steps] for steps in done]).reshape(len(done), len(self.model.tests))
        places = np.flatnonzero(may.any(axis=0)).tolist()
        if places:
            ahead = np.where(may[:, places], self.one_ahead(weights, opened, places), np.inf)
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
            after = np.concatenate([self.weights * self.model.table[test.start : test.stop] for test in tests])
            owner = np.repeat(np.arange(len(tests)), [test.stop - test.start for test in tests])
            done = [self.done | {(test.procedure, test.step)} for test in tests]
            rest = self.best_rest(after, self.opened | {access}, [done[place] for place in owner])
            totals = np.bincount(owner, rest, len(tests)) + self.setup(access, self.opened)
            values.update(zip(together, (totals + [test.minutes for test in tests]).tolist(), strict=True))
        return values

    def repair_options(self, results: Sequence[CaseResult], prices: Prices, ahead: int) -> tuple[RepairOption, ...]:
        named = {self.model.branches[row] for row in rows_of(self.model, results)}
        proven = {branch.names for branch in named if branch.proof in prices.proofs}
        rest = self._behind_repairs(ahead)
        options = [self._repair(place, proven, after) for place, after in rest.items()]
        return tuple(sorted(options, key=lambda option: option.expected))

    def _behind_repairs(self, ahead: int) -> dict[int, float]:
        """Cost of what follows each repair that does not cure, by its place, the last one being to look further; those
        that were tried are left out. Repairs behind one set-up state are looked at together."""
        by_access: dict[str, list[int]] = {}
        for place in np.flatnonzero(self.costs.matrix.any(axis=0)).tolist():
            by_access.setdefault(self.costs.access[place], []).append(place)
        rest: dict[int, float] = {}
        for access, places in by_access.items():
            left, opened = self.weights * (self.costs.matrix[:, places].T == 0), self.opened | {access}
            if ahead == 2:
                after = self.best_rest(left, opened, [self.done] * len(places))
            else:
                after = self.costs.expected(left, opened)
            rest.update(zip(places, after.tolist(), strict=True))
        return dict(sorted(rest.items()))

    def _repair(self, place: int, proven: set[str], after: float) -> RepairOption:
        columns = np.flatnonzero(self.costs.matrix[:, place])
        access, minutes = self.costs.access[place], float(self.costs.minutes[place])
        causes = tuple(self.model.causes[column] for column in columns)
        last = place == len(self.model.repairs)
        setup = self.setup(access, self.opened)
        return RepairOption(
            causes=causes,
            correction=LOOK_FURTHER if last else self.model.repairs[place].correction,
            minutes=minutes,
            setup=setup,
            expected=minutes + setup + after,
            cures=float(self.weights[columns].sum()),
            proven=bool(proven.intersection(causes)),
            looks_further=last,
        )


def _advice(tests: tuple[TestOption, ...], repairs: tuple[RepairOption, ...], without: float, prices: Prices) -> Advice:
    worth = [test for test in tests if test.saves > SAVES_NOTHING]
    fits = [repair for repair in repairs if repair.proven or not prices.prove_first]
    repair = next(iter(fits), None)
    if prices.prove_first and repair is None:
        worth = [test for test in tests if test.bits >= TELLS_NOTHING or test.saves > SAVES_NOTHING]
    if worth and (repair is None or worth[0].expected <= repair.expected):
        return Advice(worth[0], None, tests, repairs, without, False, worth[0].words)
    repair = repair or next(iter(repairs), None)
    return Advice(None, repair, tests, repairs, without, not worth, _repair_words(repair, bool(worth), prices))


def _repair_words(repair: RepairOption | None, worth: bool, prices: Prices) -> str:
    if repair is None:
        return "Nothing left worth testing, and nothing left to put right."
    first = "" if worth else "Nothing left worth testing: "
    if repair.looks_further:
        return f"{first}look further; that the cause is none of those listed has a probability of {repair.cures:.0%}."
    what = repair.correction or "Put right what is most likely."
    weak = " It has not been proven." if prices.prove_first and not repair.proven else ""
    return f"{first}{what} It cures with a probability of {repair.cures:.0%}.{weak}"


def _by_repair(model: CauseModel, weights: Array) -> Array:
    joint: Array = (model.table * weights) @ model.repair_matrix
    return joint


def _xlogx(figures: Array) -> Array:
    logs: Array = np.log(np.maximum(figures, 1e-300))
    return figures * logs


def _minutes(minutes: float) -> str:
    return "1 minute" if round(minutes) == 1 else f"{minutes:.0f} minutes"
