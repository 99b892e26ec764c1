"""What it costs, and what it brings, that a small share of steps is chosen by chance among near equals.

Long form: ``python -m tests.simulation chance`` (some minutes). Shops with a hidden truth close jobs on one procedure
whose technicians follow every suggestion and every choice by chance; the tool learns anew after every hundred jobs.
What it then believes of the tests is compared with the truth, and further jobs, the same for every share, are followed
without chance by what was learned. Minutes, set-ups and parts as in :mod:`.savings`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from shopkb.core.diagnosis.advice.exploring import chosen_by_chance, near_equals
from shopkb.core.diagnosis.advice.next_action import advise
from shopkb.core.diagnosis.advice.repairs import Prices
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums, contributions
from shopkb.core.flow.checks.step_hazards import steps_as_safe
from shopkb.core.flow.model import Flow, Proof
from tests.core.diagnosis.learning import model_of
from tests.shelf import CATALOG, SHELF
from tests.simulation.savings import ACCESS, PLATFORM, Fault, Shop, State, faults
from tests.simulation.tables import keep
from tests.simulation.worlds import World, drawn

SHARES: Final = (0.0, 0.03, 0.1)
PROCEDURES: Final = ("relay-and-control", "battery-flat-overnight", "brake-lamps-off")
LEARNED_EVERY: Final = 100
SELDOM: Final = 20
"""Jobs below which a test counts as seldom done."""


@dataclass(eq=False)
class ByChance(Shop):
    """A shop in which a share of the steps is chosen by chance."""

    share: float = 0.0
    rng: np.random.Generator = field(default_factory=np.random.default_rng)
    steps: list[str] = field(default_factory=list)
    chosen: int = 0

    def next(self, state: State) -> tuple[str, tuple[str, ...]]:
        step, causes = super().next(state)
        if not step or self.rng.random() >= self.share or step != self.written(dict(state[0])):
            return step, causes
        other = self._by_chance(state, step)
        self.chosen += bool(other)
        return other or step, causes

    def _by_chance(self, state: State, step: str) -> str:
        done, tried = state
        results = [CaseResult(self.flow.procedure, key, outcome) for key, outcome in sorted(done)]
        allowed = {(self.flow.procedure, key) for key in self._may(dict(done))}
        found = advise(self.model, results, tried, prices=self.prices, allowed=allowed)
        safe = steps_as_safe(self.flow, CATALOG, self.flow.step_by_key[step])
        equals = near_equals(found, (self.flow.procedure, step), safe)
        if equals is None:
            return ""
        test = chosen_by_chance(self.model, results, tried, equals, self.rng, prices=self.prices, allowed=allowed)
        return test.step if test is not None else ""

    def _test(self, step: str, opened: frozenset[str]) -> tuple[float, frozenset[str]]:
        self.steps.append(step)
        return super()._test(step, opened)

    def closed(self, fault: Fault, number: int, month: str) -> tuple[ClosedCase, float]:
        """One job worked until its cause is found, and its minutes."""
        begun = len(self.steps)
        minutes = self.as_suggested(fault)
        done = dict.fromkeys(self.steps[begun:])
        results = tuple(CaseResult(self.flow.procedure, step, fault.shows[step]) for step in done)
        cause = self.world.causes[fault.cause]
        return ClosedCase(number, PLATFORM, month, cause, Proof.MEASURED, cause, results=results), minutes


@dataclass(frozen=True, slots=True)
class Found:
    """Of one shop: the share of its steps that were chosen by chance; minutes a job while it learned; tests done in
    few jobs; how far what is believed of those is from the truth (total variation, mean over causes by how common they
    are); and the minutes of further jobs without chance."""

    chosen: float
    minutes: float
    seldom: int
    error: float
    later: float


def found_in(flow: Flow, seed: Sequence[int], share: float, jobs: int) -> Found:
    """A shop after so many jobs. The truth, the jobs and what tests show are the same for every share."""
    rng = np.random.default_rng([*seed, 5])
    world = drawn(rng, flow, access=ACCESS, platforms=(PLATFORM,))
    met = [_fault(rng, world) for _ in range(jobs)]
    further = list(faults(rng, world))
    tallies: dict[TallyKey, TallySums] = {}
    minutes, steps, chosen = [], 0, 0
    shop = _shop(world, tallies, share, seed)
    for number, fault in enumerate(met):
        if number % LEARNED_EVERY == 0 and number:
            steps, chosen = steps + len(shop.steps), chosen + shop.chosen
            shop = _shop(world, tallies, share, [*seed, number])
        case, taken = shop.closed(fault, number, "2025-06")
        minutes.append(taken)
        for key, sums in contributions(case).items():
            tallies[key] = tallies.get(key, TallySums()) + sums
    steps, chosen = steps + len(shop.steps), chosen + shop.chosen
    last = _shop(world, tallies, 0.0, seed)
    later = sum(fault.weight * last.as_suggested(fault) for fault in further)
    seldom = _seldom(last.model)
    return Found(chosen / steps, float(np.mean(minutes)), len(seldom), _error(last.model, world, seldom), later)


def _fault(rng: np.random.Generator, world: World) -> Fault:
    cause = int(rng.choice(len(world.causes), p=world.prior[PLATFORM]))
    return Fault(cause, {step: world.outcome(rng, step, cause).key for step in world.table}, 1.0)


def _shop(world: World, tallies: dict[TallyKey, TallySums], share: float, seed: Sequence[int]) -> ByChance:
    model = model_of(world.flow, tallies, PLATFORM, as_of="2025-12", half_life=None, access_minutes=ACCESS)
    return ByChance(world, model, Prices(prove_first=True), share=share, rng=np.random.default_rng([*seed, 6]))


def _seldom(model: CauseModel) -> list[int]:
    assert model.evidence is not None
    jobs = [float(model.evidence[test.start : test.stop].sum()) for test in model.tests]
    return [place for place, done in enumerate(jobs) if done < SELDOM]


def _error(model: CauseModel, world: World, tests: Sequence[int]) -> float:
    prior = world.prior[PLATFORM]
    off = [
        float(np.abs(model.table[model.tests[one].start : model.tests[one].stop] - world.table[model.tests[one].step])
              .sum(axis=0) @ prior / 2)
        for one in tests
    ]  # fmt: skip
    return float(np.mean(off)) if off else 0.0


def main(truths: int = 3, jobs: int = 400, procedures: Sequence[str] = PROCEDURES) -> None:
    lines = [
        f"A share of steps chosen by chance among near equals: {truths} shops of {jobs} jobs for each procedure, seeds "
        f"[21, 0] to [21, {truths - 1}]; seldom is in fewer than {SELDOM} jobs; further jobs are the same for every "
        "share.", "",
        "| procedure | share | really chosen | minutes a job meanwhile | tests seldom done | error of what is believed "
        "of those | minutes of further jobs |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]  # fmt: skip
    for key in procedures:
        for share in SHARES:
            shops = [found_in(SHELF[key], [21, seed], share, jobs) for seed in range(truths)]
            mean = {name: float(np.mean([getattr(one, name) for one in shops])) for name in Found.__slots__}
            lines.append(
                f"| {key} | {share:.0%} | {mean['chosen']:.2%} | {mean['minutes']:.1f} | {mean['seldom']:.1f} | "
                f"{mean['error']:.3f} | {mean['later']:.1f} |"
            )
            print(lines[-1], flush=True)
    keep("chance", "\n".join(lines))


if __name__ == "__main__":
    main()
