"""Minutes to the cure when the suggestions are followed instead of the written order, on every shipped procedure.

Long form: ``python -m tests.simulation savings``. Hidden truths are drawn for each procedure, closed jobs that followed
the written order teach the tool, then further jobs are followed both ways. Both ways meet the same jobs: the same
hidden cause, and what each test would show on it (common random numbers); every cause comes in every truth, at its
weight.

- *as written*: the flow is followed to its end, and the cause it names is put right; where that does not cure, or the
  flow leaves without a cause, nothing is written any more, and the suggestions are followed from there;
- *as suggested*: what the page shows, followed: the written next step, unless another test, or a repair, is
  quicker to the cure by a minute or more with a chance of nine in ten; never past a safety precondition;
- *truth known*: the same, from the hidden truth itself instead of closed jobs: no order is known to be better, so the
  best there is lies below it;
- *floor*: what no order can save: the repair of the true cause with its set-up, and the cheaper of looking further and
  of the row of tests that can prove the cause, where causes have to be proven. The best lies above it.

Minutes hold set-ups, each paid once, and parts at the hourly rate. Every repair of the true cause cures. Where the
suggestion is to look further, that takes two hours and finds the cause, which is then put right.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from shopkb.core.diagnosis.advice.job_states import JobPosition
from shopkb.core.diagnosis.advice.next_action import Advice, advise
from shopkb.core.diagnosis.advice.proposal import kept_to_proof, propose
from shopkb.core.diagnosis.advice.repairs import LEAST_COST, Prices
from shopkb.core.diagnosis.belief.cause_model import CauseModel, RepairAction
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.flow_counts import count
from shopkb.core.diagnosis.counting.tallies import contributions, merge
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.checks.step_hazards import steps_made_safe
from shopkb.core.flow.model import Flow, GoKind
from shopkb.core.flow.paths import next_steps
from tests.shelf import CATALOG, SHELF
from tests.simulation.savings_table import Both, Found, Saving, Setting, told
from tests.simulation.tables import keep
from tests.simulation.worlds import World, closed_jobs, drawn

PLATFORM: Final = "curlew/a1"
ACCESS: Final = {key: state.minutes for key, state in CATALOG.access.items()}
MOST_ACTIONS: Final = 80
JOBS: Final = 30
FIRST: Final = 9
"""Truths for every procedure at first; in every third the suggestions are also followed with the truth known."""

MOST_TRUTHS: Final = 150
SETTINGS: Final = (Setting(300, prove_first=True), Setting(1500, prove_first=True), Setting(300, prove_first=False))

State = tuple[frozenset[tuple[str, str]], tuple[str, ...]]
"""Steps done with their outcomes, and identities of the causes repaired without a cure."""


@dataclass(frozen=True, eq=False)
class Fault:
    """One job: its hidden cause (a column), what each step would show on it, and how much it counts."""

    cause: int
    shows: dict[str, str]
    weight: float


def faults(rng: np.random.Generator, world: World, jobs: int = JOBS) -> Iterator[Fault]:
    """About ``jobs`` of them, each cause at least once; weights sum to 1."""
    for cause, chance in enumerate(world.prior[PLATFORM]):
        often = max(1, round(jobs * chance))
        for _ in range(often if chance > 0 else 0):
            shows = {step: world.outcome(rng, step, cause).key for step in world.table}
            yield Fault(cause, shows, float(chance) / often)


@dataclass(eq=False)
class Shop:
    """A procedure with its hidden truth and what is believed of it."""

    world: World
    model: CauseModel
    prices: Prices
    _advice: dict[State, tuple[str, tuple[str, ...]]] = field(default_factory=dict)

    @property
    def flow(self) -> Flow:
        return self.world.flow

    def as_written(self, fault: Fault) -> float:
        """Minutes when the written order is followed."""
        key, minutes, done, opened = self.flow.start, 0.0, dict[str, str](), frozenset[str]()
        while True:
            taken, opened = self._test(key, opened)
            minutes, done[key] = minutes + taken, fault.shows[key]
            go = self.flow.step_by_key[key].outcome(done[key]).go
            if go.kind is not GoKind.STEP:
                break
            key = go.key
        causes: tuple[str, ...] = ()
        if go.kind is GoKind.CAUSE:
            causes = self._group(self.flow.cause_by_key[go.key].identity)
            taken, opened = self._repair(causes, opened)
            minutes += taken
            if self.world.causes[fault.cause] in causes:
                return minutes
        return minutes + self._carry_on(fault, done, causes, opened)

    def as_suggested(self, fault: Fault) -> float:
        """Minutes when every suggestion is followed."""
        return self._carry_on(fault, {}, (), frozenset())

    def _carry_on(self, fault: Fault, done: dict[str, str], tried: tuple[str, ...], opened: frozenset[str]) -> float:
        minutes, true = 0.0, self.world.causes[fault.cause]
        for _ in range(MOST_ACTIONS):
            step, causes = self.next((frozenset(done.items()), tried))
            if step:
                taken, opened = self._test(step, opened)
                minutes, done = minutes + taken, {**done, step: fault.shows[step]}
            elif causes:
                taken, opened = self._repair(causes, opened)
                minutes, tried = minutes + taken, (*tried, *causes)
                if true in causes:
                    return minutes
            else:
                return minutes + self.prices.look_further + self._own_repair(fault.cause, opened)
        raise AssertionError("The suggestions do not come to an end.")

    def floor(self) -> float:
        """Expected minutes below which no order falls."""
        at = JobPosition.of(truth_in(self.model, self.world), (), (), self.prices, None, None)
        found = 0.0
        for cause, chance in enumerate(self.world.prior[PLATFORM]):
            known = cause < len(self.world.causes) - 1
            proof = float(at.current.owed[0] @ at.costs.matrix[cause]) if known else self.prices.look_further
            found += float(chance) * (self._own_repair(cause, frozenset()) + min(proof, self.prices.look_further))
        return found

    def next(self, state: State) -> tuple[str, tuple[str, ...]]:
        """The step to do, or the causes to put right; neither to look further."""
        if state not in self._advice:
            done, tried = state
            results = [CaseResult(self.flow.procedure, step, outcome) for step, outcome in sorted(done)]
            allowed = {(self.flow.procedure, step) for step in self._may(dict(done))}
            found = advise(self.model, results, tried, prices=self.prices, allowed=allowed)
            proven = frozenset(self._named(dict(done))).difference(tried)
            found = kept_to_proof(self.model, results, tried, found, proven, prices=self.prices, allowed=allowed)
            self._advice[state] = self._shown(found, self.written(dict(done)), results, tried, allowed)
        return self._advice[state]

    def _shown(
        self, found: Advice, written: str, results: list[CaseResult], tried: tuple[str, ...],
        allowed: set[tuple[str, str]],
    ) -> tuple[str, tuple[str, ...]]:  # fmt: skip
        """The step or the repair that the page leads to: the written next step, unless another is surely quicker."""
        step = (self.flow.procedure, written)
        if any((one.procedure, one.step) == step for one in found.tests) and not propose(
            self.model, results, tried, found, step, prices=self.prices, allowed=allowed
        ):
            return written, ()
        if found.test is not None:
            return found.test.step, ()
        fitted = found.repair is not None and not found.repair.looks_further
        return "", found.repair.causes if found.repair is not None and fitted else ()

    def written(self, done: dict[str, str]) -> str:
        """The written next step; empty once the written way has come to its end."""
        current = self.flow.start
        while current in done:
            go = self.flow.step_by_key[current].outcome(done[current]).go
            current = go.key if go.kind is GoKind.STEP else ""
        return current

    def _named(self, done: dict[str, str]) -> tuple[str, ...]:
        """The cause that the written way has come to, if it has."""
        current = self.flow.start
        while current in done:
            go = self.flow.step_by_key[current].outcome(done[current]).go
            if go.kind is GoKind.CAUSE:
                return (self.flow.cause_by_key[go.key].identity,)
            current = go.key if go.kind is GoKind.STEP else ""
        return ()

    def _may(self, done: dict[str, str]) -> frozenset[str]:
        """What the job page allows: steps made safe, ahead on the written way."""
        return steps_made_safe(self.flow, CATALOG, frozenset(done)) & frozenset(_ahead(self.flow, self.written(done)))

    def _repair_of(self, identity: str) -> RepairAction | None:
        column = self.model.column_of.get(identity)
        return next((repair for repair in self.model.repairs if column in repair.causes), None)

    def _group(self, identity: str) -> tuple[str, ...]:
        """The causes that the correction of this one puts right."""
        repair = self._repair_of(identity)
        return tuple(self.model.causes[place] for place in repair.causes) if repair else ()

    def _own_repair(self, cause: int, opened: frozenset[str]) -> float:
        """Minutes of putting a true cause right, once it is known; none for one that the flow does not list."""
        causes = self._group(self.world.causes[cause])
        return self._repair(causes, opened)[0] if causes else 0.0

    def _test(self, step: str, opened: frozenset[str]) -> tuple[float, frozenset[str]]:
        access = self.flow.step_by_key[step].access
        return self.world.minutes[step] + _set_up(access, opened), opened | {access}

    def _repair(self, causes: Sequence[str], opened: frozenset[str]) -> tuple[float, frozenset[str]]:
        repair = self._repair_of(causes[0])
        assert repair is not None
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


def truth_in(model: CauseModel, world: World) -> CauseModel:
    """The model as it would be with the truth known."""
    table = np.vstack([world.table[test.step] for test in model.tests])
    tests = tuple(replace(test, minutes=world.minutes[test.step]) for test in model.tests)
    return replace(model, prior=world.prior[PLATFORM], table=table, tests=tests, prior_weights=None, table_weights=None)


def both(flow: Flow, seed: list[int], *, taught: int = 300, prove_first: bool = True, known: bool = False) -> Both:
    """Both ways under one hidden truth, after ``taught`` closed jobs. The truth and the jobs followed both ways are the
    same whatever was taught."""
    shop, met = shop_taught(flow, seed, taught, prove_first=prove_first)
    knowing = replace(shop, model=truth_in(shop.model, shop.world), _advice={})
    ways = [shop.as_written, shop.as_suggested, *([knowing.as_suggested] if known else [])]
    minutes = [sum(fault.weight * way(fault) for fault in met) for way in ways]
    return Both(minutes[0], minutes[1], minutes[2] if known else float("nan"), shop.floor())


def shop_taught(
    flow: Flow, seed: list[int], taught: int, *, prove_first: bool = True, jobs: int = JOBS
) -> tuple[Shop, list[Fault]]:
    """A shop under one hidden truth after ``taught`` closed jobs, and about ``jobs`` faults that it meets then."""
    rng = np.random.default_rng(seed)
    world = drawn(rng, flow, access=ACCESS)
    met = list(faults(rng, world, jobs))
    tallies = merge(contributions(case) for case in closed_jobs(rng, world, taught, months=24))
    counts = count(flow, tallies, as_of="2023-12", platforms=(PLATFORM,))
    return Shop(world, learn(counts, PLATFORM, access_minutes=ACCESS), Prices(prove_first=prove_first)), met


def differences(flow: Flow, seed: list[int], *, taught: int, jobs: int) -> tuple[Array, Array, Array]:
    """Of each fault met: its weight, and the minutes as written and as suggested."""
    shop, met = shop_taught(flow, seed, taught, jobs=jobs)
    found = np.array([(fault.weight, shop.as_written(fault), shop.as_suggested(fault)) for fault in met])
    return found[:, 0] / found[:, 0].sum(), found[:, 1], found[:, 2]


def main(minutes: float = 240.0, procedures: Sequence[str] = tuple(SHELF)) -> None:
    """Some truths for every procedure, then one more for the one where it is least sure that anything is saved, until
    the minutes have passed. Where parts may be tried, a third of the truths."""
    found: Found = {setting: {key: [] for key in procedures} for setting in SETTINGS}
    until, turn = time.monotonic() + 60 * minutes, 0
    while time.monotonic() < until:
        fresh = turn < FIRST * len(procedures)
        key = procedures[turn % len(procedures)] if fresh else _least_sure(found[SETTINGS[0]])
        number = len(found[SETTINGS[0]][key])
        third = number % 3 == 2
        for setting in SETTINGS if third else SETTINGS[:2]:
            how = {"taught": setting.taught, "prove_first": setting.prove_first, "known": third}
            found[setting][key].append(both(SHELF[key], [1, number], **how))
        turn += 1
        keep("savings", told(found))
    print(told(found))


def _least_sure(found: dict[str, list[Both]]) -> str:
    """The procedure whose saving is the fewest standard errors above nothing, as long as it has not had its share."""
    savings = [Saving.of(key, rows) for key, rows in found.items()]
    open_still = [one for one in savings if one.truths < MOST_TRUTHS] or savings
    return min(open_still, key=lambda one: abs(one.written - one.suggested) / one.error).procedure


if __name__ == "__main__":
    main()
