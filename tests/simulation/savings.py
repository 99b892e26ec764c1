"""Minutes to the cure when the suggestions are followed instead of the written order, on every shipped procedure.

Long form: ``python -m tests.simulation savings``. Hidden truths are drawn for each procedure, closed jobs that followed
the written order teach the tool, then the expected minutes of further jobs are worked out both ways:

- *as written*: the flow is followed to its end, and the cause it names is put right; where that does not cure, or the
  flow leaves without a cause, nothing is written any more, and the suggestions are followed from there;
- *as suggested*: whatever the tool says next, within what it may say (never past a safety precondition).

Minutes hold set-ups, each paid once, parts at the hourly rate, and two hours of looking further where nothing listed
cures. Every repair of the true cause cures. All ways through are gone along with their true probabilities; those less
likely than 1 in 500 are followed by lot, at the weight of all they stand for, so that the mean stays right.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from shopkb.core.diagnosis.cases import CaseResult
from shopkb.core.diagnosis.cause_model import CauseModel
from shopkb.core.diagnosis.counts import count
from shopkb.core.diagnosis.likelihoods import learn
from shopkb.core.diagnosis.repairs import LEAST_COST, Prices
from shopkb.core.diagnosis.tallies import contributions, merge
from shopkb.core.diagnosis.telling import advise
from shopkb.core.flow.model import Flow, GoKind
from shopkb.core.flow.paths import next_steps
from shopkb.core.flow.precautions import steps_made_safe
from tests.shelf import CATALOG, SHELF
from tests.simulation.worlds import World, closed_jobs, drawn

PLATFORM: Final = "avocet/a1"
ACCESS: Final = {key: state.minutes for key, state in CATALOG.access.items()}
MOST_ACTIONS: Final = 80
LEAST_WEIGHT: Final = 0.002

State = tuple[frozenset[tuple[str, str]], tuple[str, ...]]
"""Steps done with their outcomes, and identities of the causes repaired without a cure."""


@dataclass(eq=False)
class Shop:
    """A procedure with its hidden truth and what was learned of it."""

    world: World
    model: CauseModel
    prices: Prices
    lots: np.random.Generator
    _advice: dict[State, tuple[str, tuple[str, ...]]] = field(default_factory=dict)

    @property
    def flow(self) -> Flow:
        return self.world.flow

    def as_written(self) -> float:
        """Expected minutes of the written order."""
        return self._written(self.world.prior[PLATFORM], self.flow.start, {}, frozenset())

    def as_suggested(self) -> float:
        """Expected minutes when every suggestion is followed."""
        return self._carry_on(self.world.prior[PLATFORM], {}, (), frozenset())

    def _written(self, weights: np.ndarray, key: str, done: dict[str, str], opened: frozenset[str]) -> float:
        weights = self._by_lot(weights)
        if not weights.any():
            return 0.0
        minutes, opened = self._test(key, opened)
        total = minutes * float(weights.sum())
        for place, outcome in enumerate(self.flow.step_by_key[key].outcomes):
            after, so_far = weights * self.world.table[key][place], {**done, key: outcome.key}
            if outcome.go.kind is GoKind.STEP:
                total += self._written(after, outcome.go.key, so_far, opened)
            elif outcome.go.kind is GoKind.CAUSE:
                causes = self._group(self.flow.cause_by_key[outcome.go.key].identity)
                total += self._put_right(after, so_far, (), causes, opened)
            else:
                total += self._carry_on(after, so_far, (), opened)
        return total

    def _carry_on(
        self, weights: np.ndarray, done: dict[str, str], tried: tuple[str, ...], opened: frozenset[str]
    ) -> float:
        weights = self._by_lot(weights)
        if not weights.any():
            return 0.0
        assert len(done) + len(tried) < MOST_ACTIONS, "the suggestions do not come to an end"
        step, causes = self._next((frozenset(done.items()), tried))
        if causes:
            return self._put_right(weights, done, tried, causes, opened)
        if not step:
            return float(weights.sum()) * self.prices.look_further
        minutes, opened = self._test(step, opened)
        outcomes = self.flow.step_by_key[step].outcomes
        return minutes * float(weights.sum()) + sum(
            self._carry_on(weights * row, {**done, step: outcome.key}, tried, opened)
            for outcome, row in zip(outcomes, self.world.table[step], strict=True)
        )

    def _put_right(
        self, weights: np.ndarray, done: dict[str, str], tried: tuple[str, ...], causes: tuple[str, ...],
        opened: frozenset[str],
    ) -> float:  # fmt: skip
        """Minutes of a repair and of what follows where it does not cure."""
        minutes, opened = self._repair(causes, opened)
        left = weights * [cause not in causes for cause in self.world.causes]
        after = self._carry_on(left, done, (*tried, *causes), opened)
        return minutes * float(weights.sum()) + after

    def _by_lot(self, weights: np.ndarray) -> np.ndarray:
        """The weights as they are, or of an unlikely way by lot: nothing, or the least weight that is followed."""
        total = float(weights.sum())
        if total >= LEAST_WEIGHT or total <= 0:
            return weights
        return weights * (LEAST_WEIGHT / total if self.lots.random() < total / LEAST_WEIGHT else 0.0)

    def _next(self, state: State) -> tuple[str, tuple[str, ...]]:
        """The step to do, or the causes to put right; neither to look further."""
        if state not in self._advice:
            done, tried = state
            results = [CaseResult(self.flow.procedure, step, outcome) for step, outcome in sorted(done)]
            allowed = {(self.flow.procedure, step) for step in self._may(dict(done))}
            found = advise(self.model, results, tried, prices=self.prices, allowed=allowed)
            repair = found.repair
            causes = repair.causes if repair is not None and not repair.looks_further else ()
            self._advice[state] = (found.test.step if found.test else "", causes if not found.test else ())
        return self._advice[state]

    def _may(self, done: dict[str, str]) -> frozenset[str]:
        """What the job page allows: steps made safe, ahead on the written way."""
        current = self.flow.start
        while current in done:
            go = self.flow.step_by_key[current].outcome(done[current]).go
            current = go.key if go.kind is GoKind.STEP else ""
        return steps_made_safe(self.flow, CATALOG, frozenset(done)) & frozenset(_ahead(self.flow, current))

    def _group(self, identity: str) -> tuple[str, ...]:
        """The causes that the correction of this one puts right."""
        column = self.model.column_of[identity]
        repair = next(repair for repair in self.model.repairs if column in repair.causes)
        return tuple(self.model.causes[place] for place in repair.causes)

    def _test(self, step: str, opened: frozenset[str]) -> tuple[float, frozenset[str]]:
        access = self.flow.step_by_key[step].access
        return self.world.minutes[step] + _set_up(access, opened), opened | {access}

    def _repair(self, causes: tuple[str, ...], opened: frozenset[str]) -> tuple[float, frozenset[str]]:
        column = self.model.column_of[causes[0]]
        repair = next(repair for repair in self.model.repairs if column in repair.causes)
        minutes = max(repair.minutes + 60 * repair.price / self.prices.hourly_rate, LEAST_COST)
        return minutes + _set_up(repair.access, opened), opened | {repair.access}


def _set_up(access: str, opened: frozenset[str]) -> float:
    return 0.0 if access in opened else ACCESS.get(access, 0.0)


def _ahead(flow: Flow, current: str) -> Iterator[str]:
    if not current:
        yield from flow.step_by_key
        return
    met, pending = {current}, [current]
    while pending:
        here = pending.pop()
        yield here
        fresh = [there for there in next_steps(flow, here) if there not in met]
        met.update(fresh)
        pending += fresh


@dataclass(frozen=True, slots=True)
class Saving:
    """Expected minutes of both ways, mean over the hidden truths, and the standard error of the difference."""

    procedure: str
    written: float
    suggested: float
    error: float

    @property
    def share(self) -> float:
        """Part of the written order's minutes that is saved."""
        return 1 - self.suggested / self.written


def saving(flow: Flow, *, seed: int = 1, worlds: int = 6, taught: int = 300, prove_first: bool = True) -> Saving:
    """Both ways on ``worlds`` hidden truths of ``flow``, each after ``taught`` closed jobs."""
    minutes = np.array([both(flow, [seed, number], taught, prove_first) for number in range(worlds)])
    written, suggested = minutes.mean(axis=0)
    error = (minutes[:, 0] - minutes[:, 1]).std(ddof=min(1, worlds - 1))
    return Saving(flow.procedure, float(written), float(suggested), float(error / worlds**0.5))


def both(flow: Flow, seed: list[int], taught: int, prove_first: bool) -> tuple[float, float]:
    """Expected minutes as written and as suggested under one hidden truth."""
    rng = np.random.default_rng(seed)
    world = drawn(rng, flow)
    tallies = merge(contributions(case) for case in closed_jobs(rng, world, taught, months=24))
    counts = count(flow, tallies, as_of="2023-12", platforms=(PLATFORM,))
    shop = Shop(world, learn(counts, PLATFORM, access_minutes=ACCESS), Prices(prove_first=prove_first), rng)
    return shop.as_written(), shop.as_suggested()


def main(worlds: int = 6) -> None:
    for prove_first, rule in ((True, "parts are fitted only once proven (the default)"), (False, "parts may be tried")):
        print(f"\nExpected minutes to the cure, parts included; {rule}; mean of {worlds} hidden truths\n")
        print("| procedure | steps | as written | as suggested | saved | |")
        print("| --- | ---: | ---: | ---: | ---: | ---: |")
        for flow in SHELF.values():
            found = saving(flow, worlds=worlds, prove_first=prove_first)
            print(
                f"| {found.procedure} | {len(flow.steps)} | {found.written:.1f} | {found.suggested:.1f} | "
                f"{found.written - found.suggested:.1f} ± {1.96 * found.error:.1f} | {found.share:.0%} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
