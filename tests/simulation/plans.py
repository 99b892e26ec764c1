"""The advised plan beside the best of all plans, on small made-up problems.

Long form: ``python -m tests.simulation.plans [PROBLEMS [CAUSES TESTS]]`` (500 of five each by default; some minutes).
The best plan is found by a dynamic programme over every set of results and of repairs tried: repairs cure their cause
for certain, and set-ups are paid once.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from shopkb.core.diagnosis.advice.next_action import Advice, advise
from shopkb.core.diagnosis.advice.repairs import Prices
from shopkb.core.diagnosis.belief.cause_model import Branch, CauseModel, RepairAction, Test
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from tests.simulation.tables import keep

PRICES = Prices(look_further=240.0)
STATES = ("", "lifted", "bumper-off")

Results = tuple[int, ...]
"""For each test -1 (not done) or the place of its outcome."""

Rule = Callable[[CauseModel, list[CaseResult], frozenset[str]], Advice]


def problem(rng: np.random.Generator, causes: int = 5, tests: int = 5, dear: float = 1.0) -> CauseModel:
    """Causes with one repair each, two-outcome tests with 0 to 15 % error, some of both behind two set-ups."""
    table, views = [], []
    for number in range(tests):
        error = rng.uniform(0.0, 0.15)
        inside = rng.permutation(causes) < rng.integers(1, causes)
        yes = np.r_[np.where(inside, 1 - error, error), 0.5]
        table += [yes, 1 - yes]
        access = STATES[rng.integers(3)]
        views.append(Test("p", f"t{number}", "", 2 * number, 2 * number + 2, float(rng.uniform(1, 15)), access=access))
    repairs = tuple(
        RepairAction((place,), f"fit {place}", float(rng.uniform(5, 60) * dear), access=STATES[rng.integers(3)])
        for place in range(causes)
    )
    return CauseModel(
        causes=(*(f"c{place}" for place in range(causes)), OTHER),
        prior=np.r_[0.97 * rng.dirichlet(np.ones(causes)), 0.03],
        branches=tuple(Branch("p", view.step, outcome) for view in views for outcome in ("yes", "no")),
        table=np.array(table),
        tests=tuple(views),
        repairs=repairs,
        access_minutes={"lifted": float(rng.uniform(5, 20)), "bumper-off": float(rng.uniform(5, 30))},
    )


@dataclass(frozen=True, eq=False)
class World:
    """A problem with what following a plan on it costs."""

    model: CauseModel

    def weights(self, results: Results, tried: frozenset[int]) -> np.ndarray:
        weights = self.model.prior.copy()
        for test, outcome in zip(self.model.tests, results, strict=True):
            if outcome >= 0:
                weights *= self.model.table[test.start + outcome]
        weights[list(tried)] = 0.0
        return weights

    def opened(self, results: Results, tried: frozenset[int]) -> frozenset[str]:
        by_tests = {t.access for t, outcome in zip(self.model.tests, results, strict=True) if outcome >= 0}
        return frozenset(by_tests | {self.model.repairs[place].access for place in tried if place < len(self.costs)})

    @property
    def costs(self) -> list[float]:
        return [repair.minutes for repair in self.model.repairs]

    def setup(self, access: str, opened: frozenset[str]) -> float:
        return 0.0 if access in opened else self.model.access_minutes.get(access, 0.0)

    def best(self) -> float:
        """Expected minutes of the best plan there is: by number of tests left, fewest first, over all results and sets
        of repairs tried at once."""
        tests, repairs = len(self.model.tests), len(self.costs) + 1
        results = np.array(list(product((-1, 0, 1), repeat=tests)))
        code = (results + 1) @ 3 ** np.arange(tests)[::-1]
        weights = np.array([self.weights(tuple(row), frozenset()) for row in results.tolist()])
        sets = np.arange(2**repairs)
        tried = sets[:, None] >> np.arange(repairs) & 1 == 1
        value = np.full((len(results), sets.size), np.inf)
        for left in range(tests + 1):
            rows = code[(results < 0).sum(axis=1) == left]
            total = weights[rows] @ ~tried.T
            found = np.where(tried.all(axis=1), 0.0, np.full(total.shape, np.inf))
            for place, test in enumerate(self.model.tests):
                open_still = results[rows, place] < 0
                here, step = rows[open_still], 3 ** (tests - 1 - place)
                minutes = test.minutes + self._set_ups(test.access, results[here], tried)
                after = value[here + step] + value[here + 2 * step]
                found[open_still] = np.minimum(found[open_still], minutes * total[open_still] + after)
            for size in range(repairs - 1, -1, -1):
                self._repair(found, total, results[rows], sets[tried.sum(axis=1) == size], tried)
            value[rows] = found
        return float(value[0, 0])

    def _repair(
        self, found: np.ndarray, total: np.ndarray, results: np.ndarray, group: np.ndarray, tried: np.ndarray
    ) -> None:
        """Let every repair that is not in a set of the group be the next action."""
        for place, minutes in enumerate([*self.costs, PRICES.look_further]):
            access = self.model.repairs[place].access if place < len(self.costs) else ""
            left = group[~tried[group, place]]
            cost = (minutes + self._set_ups(access, results, tried[left])) * total[:, left]
            found[:, left] = np.minimum(found[:, left], cost + found[:, left | 1 << place])

    def _set_ups(self, access: str, results: np.ndarray, tried: np.ndarray) -> np.ndarray:
        """Minutes to a set-up state, results x sets of repairs tried."""
        tests = [place for place, test in enumerate(self.model.tests) if test.access == access]
        repairs = [place for place, repair in enumerate(self.model.repairs) if repair.access == access]
        reached = (results[:, tests] >= 0).any(axis=1)[:, None] | tried[:, repairs].any(axis=1)
        return np.where(reached, 0.0, self.setup(access, frozenset()))

    def cost_of(self, rule: Rule) -> float:
        """Expected minutes when the rule's advice is followed to the end.

        A repair tried takes its cause out of the belief, as in the dynamic programme, so that the rules are compared
        and not what is believed of botched repairs.
        """
        last = len(self.model.repairs)

        def value(results: Results, tried: frozenset[int]) -> float:
            weights = self.weights(results, tried)
            total, opened = float(weights.sum()), self.opened(results, tried)
            if total <= 1e-9:
                return 0.0
            found = rule(self._without(tried), self._recorded(results), opened)
            if found.test:
                place = self.model.test_of["p", found.test.step]
                minutes = self.model.tests[place].minutes + self.setup(self.model.tests[place].access, opened)
                return minutes * total + sum(value(_with(results, place, o), tried) for o in (0, 1))
            assert found.repair is not None
            place = last if found.repair.looks_further else self.model.column_of[found.repair.causes[0]]
            minutes = PRICES.look_further if place == last else self.costs[place]
            access = "" if place == last else self.model.repairs[place].access
            return (minutes + self.setup(access, opened)) * total + value(results, tried | {place})

        return value((-1,) * len(self.model.tests), frozenset())

    def _without(self, tried: frozenset[int]) -> CauseModel:
        if not tried:
            return self.model
        prior = self.model.prior.copy()
        prior[list(tried)] = 0.0
        return replace(self.model, prior=prior / prior.sum())

    def _recorded(self, results: Results) -> list[CaseResult]:
        return [
            CaseResult("p", test.step, ("yes", "no")[outcome])
            for test, outcome in zip(self.model.tests, results, strict=True)
            if outcome >= 0
        ]


def _with(results: Results, place: int, outcome: int) -> Results:
    return (*results[:place], outcome, *results[place + 1 :])


def ahead(actions: int) -> Rule:
    return lambda model, results, opened: advise(model, results, prices=PRICES, opened=opened, depth=actions)


def repairs_only(model: CauseModel, results: list[CaseResult], opened: frozenset[str]) -> Advice:
    return advise(model, results, prices=PRICES, opened=opened, allowed=frozenset(), depth=1)


def ratios(problems: int, seed: int, *, dear: float = 1.0, causes: int = 5, tests: int = 5) -> dict[str, np.ndarray]:
    """Cost of each rule over that of the best plan, by problem."""
    rng = np.random.default_rng(seed)
    rules: dict[str, Rule] = {"repairs only": repairs_only, "one ahead": ahead(1), "two ahead": ahead(2)}
    found: dict[str, list[float]] = {name: [] for name in rules}
    for _ in range(problems):
        world = World(problem(rng, causes, tests, dear))
        best = world.best()
        for name, rule in rules.items():
            found[name].append(world.cost_of(rule) / best)
    return {name: np.array(values) for name, values in found.items()}


def main(problems: int = 500, causes: int = 5, tests: int = 5) -> None:
    lines = [
        f"Expected minutes over those of the best plan: {problems} problems of each price, {causes} causes, "
        f"{tests} tests that err", "",
        "| repairs | rule | mean | median | 95 % | worst | best plan in |",
        "| --- | --- | ---: | ---: | ---: | ---: | ---: |",
    ]  # fmt: skip
    for dear, repairs in ((1.0, "cheap"), (10.0, "ten times as dear")):
        for name, values in ratios(problems, 2026, dear=dear, causes=causes, tests=tests).items():
            lines.append(
                f"| {repairs} | {name} | {values.mean():.4f} | {np.median(values):.4f} | "
                f"{np.quantile(values, 0.95):.3f} | {values.max():.3f} | {np.mean(values < 1 + 1e-9):.0%} |"
            )
            print(lines[-1], flush=True)
    keep("plans", "\n".join(lines))


if __name__ == "__main__":
    main(*(int(number) for number in sys.argv[1:4]))
