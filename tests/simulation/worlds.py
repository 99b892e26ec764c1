"""Made-up truths for flows: how often each cause comes, what each step then shows, how long it takes.

Nothing here looks at what the tool believes, except that a writer is right about the outcomes that lead to a cause:
those come when it is there, but for errors.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.diagnosis.counting.flow_counts import OTHER, branch_reach
from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Proof, Step, TestKind, Usual

USUAL = {Usual.COMMON: 6.0, Usual.OCCASIONAL: 2.5, Usual.RARE: 0.8}
STRANGE = "elsewhere#chafed through"
"""The cause that no flow knows."""


@dataclass(frozen=True, eq=False)
class World:
    """``causes`` are identities, the last one :data:`STRANGE`; ``prior`` by platform and cause; ``table`` by step,
    outcome x cause; ``minutes`` are the true mean of each step by itself, ``access`` those to reach a set-up state."""

    flow: Flow
    causes: tuple[str, ...]
    prior: Mapping[str, np.ndarray]
    table: Mapping[str, np.ndarray]
    minutes: Mapping[str, float]
    access: Mapping[str, float] = field(default_factory=dict)

    def outcome(self, rng: np.random.Generator, step: str, cause: int) -> Outcome:
        outcomes = self.flow.step_by_key[step].outcomes
        return outcomes[rng.choice(len(outcomes), p=self.table[step][:, cause])]


def drawn(
    rng: np.random.Generator, flow: Flow, *, errors: tuple[float, float] = (0.01, 0.12), strange: float = 0.04,
    platforms: tuple[str, ...] = ("curlew/a1", "curlew/a2", "dunlin"),
    access: Mapping[str, float] = MappingProxyType({}),
) -> World:  # fmt: skip
    """A truth for ``flow``: wrong outcomes come with a rate of each step's own within ``errors``."""
    causes = (*dict.fromkeys(cause.identity for cause in flow.causes), STRANGE)
    usual = {cause.identity: USUAL[cause.usual] for cause in flow.causes}
    mean = np.array([usual[identity] for identity in causes[:-1]])
    common = rng.dirichlet(mean * 3) if mean.size else np.zeros(0)
    prior = {
        path: np.r_[(1 - strange) * rng.dirichlet(common * 30 + 0.05), strange] if mean.size else np.ones(1)
        for path in platforms
    }
    reach = dict(zip(((s.key, o.key) for s in flow.steps for o in s.outcomes), branch_reach(flow, {}), strict=True))
    table, minutes = {}, {}
    for step in flow.steps:
        leads = np.array([[cause in reach[step.key, o.key].causes for cause in causes] for o in step.outcomes])
        rate = rng.uniform(*errors)
        proves = np.array([o.go.kind is GoKind.CAUSE and o.proof is not Proof.ELIMINATION for o in step.outcomes])
        leads = np.where(leads.any(axis=0), leads, ~proves[:, None])  # a test of a sound part proves nothing faulty
        table[step.key] = np.stack([_shown(rng, column, rate) for column in leads.T], axis=1) if leads.size else leads
        minutes[step.key] = (step.minutes or 5.0) * float(np.exp(rng.normal(0, 0.25)))
    return World(flow, causes, prior, table, minutes, dict(access))


def _shown(rng: np.random.Generator, leads: np.ndarray, rate: float) -> np.ndarray:
    split = rng.dirichlet(np.ones(leads.size) * 2)
    if leads.all() or not leads.any():
        return split
    right, wrong = np.where(leads, split, 0), np.where(leads, 0, split)
    return (1 - rate) * right / right.sum() + rate * wrong / wrong.sum()


def drifted(rng: np.random.Generator, world: World) -> World:
    """The same flow after years: other causes have become common, and steps err otherwise."""
    other = drawn(rng, world.flow, platforms=tuple(world.prior))
    return replace(world, prior={path: (p + 2 * other.prior[path]) / 3 for path, p in world.prior.items()},
                   table={step: (t + other.table[step]) / 2 for step, t in world.table.items()})  # fmt: skip


def closed_jobs(
    rng: np.random.Generator, world: World, jobs: int, *, months: int = 48, verified: tuple[float, float] = (0.5, 0.95),
    later: World | None = None,
) -> Iterator[ClosedCase]:  # fmt: skip
    """Jobs that followed the written order, oldest first. Each end has a chance of its own to get verified, within
    ``verified``. ``later`` is the world of the second half."""
    ends = {(s.key, o.key): rng.uniform(*verified) for s in world.flow.steps for o in s.outcomes}
    platforms = list(world.prior)
    for number in range(jobs):
        now = later if later is not None and 2 * number >= jobs else world
        platform = platforms[rng.integers(len(platforms))]
        cause = int(rng.choice(len(now.causes), p=now.prior[platform]))
        results, outcome = _followed(rng, now, cause)
        told = now.causes[cause] if rng.random() < ends[results[-1].step, outcome.key] else ""
        month = number * months // jobs
        yield ClosedCase(
            number, platform, f"{2022 + month // 12:04d}-{month % 12 + 1:02d}", told, outcome.proof or Proof.MEASURED
            if told else "", told, results=results,
        )  # fmt: skip


def _followed(rng: np.random.Generator, world: World, cause: int) -> tuple[tuple[CaseResult, ...], Outcome]:
    """As the clock has it: the time of a step holds its set-up, where its state had yet to be reached."""
    results, key, reached = [], world.flow.start, set[str]()
    while True:
        outcome = world.outcome(rng, key, cause)
        state = world.flow.step_by_key[key].access
        minutes = world.minutes[key] + (0.0 if state in reached else world.access.get(state, 0.0))
        reached.add(state)
        seconds = round(60 * minutes * float(np.exp(rng.normal(-0.06, 0.35))))
        results.append(CaseResult(world.flow.procedure, key, outcome.key, seconds=seconds))
        if outcome.go.kind is not GoKind.STEP:
            return tuple(results), outcome
        key = outcome.go.key


def tree(rng: np.random.Generator, causes: int, *, chain: bool) -> Flow:
    """A flow that singles out ``causes``: one by one (``chain``), or in halves of random size."""
    steps: list[Step] = []

    def lead(group: list[int]) -> Go:
        if len(group) == 1:
            return Go(GoKind.CAUSE, f"c{group[0]}")
        key = f"s{len(steps)}"
        steps.append(Step(key, key, TestKind.MEASURE, ()))
        place = len(steps) - 1
        cut = 1 if chain else int(rng.integers(1, len(group)))
        outcomes = [
            Outcome(name, name, go, proof=Proof.MEASURED if go.kind is GoKind.CAUSE else None)
            for name, go in (("yes", lead(group[:cut])), ("no", lead(group[cut:])))
        ]
        if rng.random() < 0.2:
            outcomes.append(Outcome("neither", "neither", Go(GoKind.OUT)))
        steps[place] = replace(steps[place], outcomes=tuple(outcomes), minutes=float(rng.integers(1, 12)))
        return Go(GoKind.STEP, key)

    start = lead([int(number) for number in rng.permutation(causes)])
    usual = list(Usual)
    return Flow(
        procedure="made-up", title="Made up", system="s", start=start.key, steps=tuple(steps),
        causes=tuple(
            Cause(f"c{n}", f"s/part-{n}", "open", usual[int(rng.integers(3))], f"Fit {n}.", int(rng.integers(5, 60)),
                  float(rng.integers(0, 60)))
            for n in range(causes)
        ),
    )  # fmt: skip


def column_of(world: World, identity: str) -> int:
    """Column of an identity in the truth; ``other`` and unknown ones are the strange cause."""
    return world.causes.index(identity) if identity in world.causes and identity != OTHER else len(world.causes) - 1
