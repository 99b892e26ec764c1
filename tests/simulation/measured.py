"""What do readings themselves tell beside their bands? Forecasts of fresh jobs with and without them.

Long form: ``python -m tests.simulation measured``. Procedures are made up; what a step reads with a cause has a shape
and a place of its own - skewed, heavy tails, two heaps, from nothing upwards - that the code does not assume. A meter
shows it with an error of its own, some readings are of the wrong place altogether, and some causes are proven wrongly.
The limit stands where fewest readings fall on the wrong side, or off it. The same jobs teach both; both say what they
believe of the same fresh jobs after everything recorded on them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.belief.reading_densities import MeasuredAnswer, StepDensities
from shopkb.core.diagnosis.belief.reading_fit import step_readings
from shopkb.core.diagnosis.belief.reading_likelihoods import with_readings
from shopkb.core.diagnosis.belief.reading_trial import trusted_readings
from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.diagnosis.counting.flow_counts import OTHER, count
from shopkb.core.diagnosis.counting.tallies import contributions, merge
from shopkb.core.flow.model import Flow, GoKind, Proof, ReadingSpec
from shopkb.core.readings.bands import parse_band
from tests.simulation.tables import keep
from tests.simulation.worlds import World, drawn, tree

JOBS: Final = (0, 30, 100, 300, 1000)
FRESH: Final = 200
LIMIT: Final = 1.0
WRONG_PLACE: Final = (0.01, 0.06)
WRONGLY_PROVEN: Final = 0.03
VERIFIED: Final = 0.8


@dataclass(frozen=True, slots=True)
class Setting:
    """How far the limit stands off, in spreads of log readings, and what meters err by (standard deviation, share)."""

    words: str
    off: float
    meter: float
    apart: float = 1.0
    told: bool = True
    """Whether readings tell more than their bands; else all of a band are alike with every cause."""


SETTINGS: Final = (
    Setting("limits well placed, good meters", 0.0, 0.01),
    Setting("limits well placed, meters err by 10 %", 0.0, 0.1),
    Setting("limits off by a spread, good meters", 1.0, 0.01),
    Setting("limits off by a spread, meters err by 10 %", 1.0, 0.1),
    Setting("all causes of a side read alike", 0.0, 0.03, apart=0.0),
    Setting("readings tell nothing but their bands", 0.0, 0.01, told=False),
)


@dataclass(frozen=True, slots=True)
class Shape:
    """Readings about ``centre``, on the scale of logarithms."""

    kind: int
    centre: float
    spread: float

    def draw(self, rng: np.random.Generator) -> float:
        if self.kind == 0:  # normal
            scatter = rng.normal()
        elif self.kind == 1:  # heavy tails
            scatter = rng.standard_t(3)
        elif self.kind == 2:  # skewed
            scatter = rng.exponential() - 1
        else:  # two heaps
            scatter = rng.normal(1.2 if rng.random() < 0.4 else -0.8, 0.4)
        return float(np.exp(self.centre + self.spread * scatter))


@dataclass(frozen=True, eq=False)
class MeasuredWorld:
    """A made-up procedure with what its steps read: by step and column of the cause."""

    world: World
    shapes: Mapping[tuple[str, int], Shape]
    wrong_place: Mapping[str, float]
    setting: Setting

    @property
    def flow(self) -> Flow:
        return self.world.flow

    def reading(self, rng: np.random.Generator, step: str, cause: int) -> float:
        if not self.setting.told:
            high = self.world.outcome(rng, step, cause).key == "no"
            true = float(rng.uniform(LIMIT, 4 * LIMIT) if high else rng.uniform(0.0, LIMIT))
            return true * (1 + self.setting.meter * rng.normal())
        if rng.random() < self.wrong_place[step]:
            cause = int(rng.integers(len(self.world.causes)))
        true = self.shapes[step, cause].draw(rng)
        return true * (1 + self.setting.meter * rng.normal())


def measured_flow(rng: np.random.Generator, causes: int) -> Flow:
    """A tree whose every step measures a voltage against one limit."""
    flow = tree(rng, causes, chain=False)
    spec = ReadingSpec("voltage", "V", ("A", "B"))
    bands = {"yes": parse_band(f"< {LIMIT} V"), "no": parse_band(f">= {LIMIT} V")}
    steps = [
        replace(step, reading=spec, outcomes=tuple(replace(one, band=bands[one.key]) for one in step.outcomes[:2]))
        for step in flow.steps
    ]
    return replace(flow, steps=tuple(steps))


def world_of(rng: np.random.Generator, setting: Setting, causes: int) -> MeasuredWorld:
    flow = measured_flow(rng, causes)
    world = drawn(rng, flow)
    shapes: dict[tuple[str, int], Shape] = {}
    for step in flow.steps:
        low = world.table[step.key][0] > 0.5
        off = setting.off * rng.choice([-1, 1]) * 0.35
        usual = rng.uniform(0.5, 1.2, 2)
        for cause in range(len(world.causes)):
            there = usual[int(low[cause])] + setting.apart * rng.exponential(0.6)
            centre = (-1 if low[cause] else 1) * there + off
            spread, kind = (rng.uniform(0.2, 0.5), int(rng.integers(4))) if setting.apart else (0.35, 0)
            shapes[step.key, cause] = Shape(kind, float(centre), float(spread))
    wrong = {step.key: float(rng.uniform(*WRONG_PLACE)) for step in flow.steps}
    return MeasuredWorld(world, shapes, wrong, setting)


def closed_jobs(rng: np.random.Generator, world: MeasuredWorld, jobs: int, verified: float = VERIFIED,
                wrongly: float = WRONGLY_PROVEN) -> Iterator[ClosedCase]:  # fmt: skip
    """Jobs that followed the written order, oldest first, with what was read."""
    flow, causes = world.flow, world.world.causes
    platforms = list(world.world.prior)
    for number in range(jobs):
        platform = platforms[rng.integers(len(platforms))]
        cause = int(rng.choice(len(causes), p=world.world.prior[platform]))
        results, key = [], flow.start
        while True:
            read = world.reading(rng, key, cause)
            shown = Decimal(f"{read:.3f}")
            outcome = flow.step_by_key[key].outcomes[int(float(shown) >= LIMIT)]
            results.append(CaseResult(flow.procedure, key, outcome.key, seconds=300, reading=shown, unit="V"))
            if outcome.go.kind is not GoKind.STEP:
                break
            key = outcome.go.key
        told = causes[int(rng.integers(len(causes)))] if rng.random() < wrongly else causes[cause]
        told = told if rng.random() < verified else ""
        month = number * 48 // jobs
        yield ClosedCase(number, platform, f"{2022 + month // 12:04d}-{month % 12 + 1:02d}", told,
                         Proof.MEASURED if told else "", told, results=tuple(results))  # fmt: skip


def readings_of(model: CauseModel, flow: Flow, cases: Sequence[ClosedCase]) -> dict[str, StepDensities]:
    """What is kept of the readings of these jobs."""
    found: dict[str, list[MeasuredAnswer]] = defaultdict(list)
    for case in cases:
        for one in case.results if case.cause else ():
            if one.reading is not None:
                found[one.step].append(MeasuredAnswer(float(one.reading), one.outcome, case.cause))
    kept = {step: step_readings(model, flow, flow.step_by_key[step], answers) for step, answers in found.items()}
    return {step: one for step, one in kept.items() if one is not None}


def scores(flow: Flow, taught: Sequence[ClosedCase], fresh: Sequence[ClosedCase]) -> tuple[np.ndarray, np.ndarray]:
    """Brier score and log loss of each fresh job: jobs x (bands alone, with readings)."""
    model = learn(count(flow, merge(contributions(case) for case in taught), as_of="2026-01"))
    kept = trusted_readings(model, flow, taught)
    found = []
    for case in fresh:
        told = model if kept == {} else with_readings(model, flow, case.results, kept or {})
        found.append([_score(one, case) for one in (model, told)])
    both = np.array(found)
    return both[..., 0], both[..., 1]


def _score(model: CauseModel, case: ClosedCase) -> tuple[float, float]:
    believed = posterior(model, case.results)
    column = model.column_of.get(case.cause, model.column_of[OTHER])
    truth = np.eye(len(believed))[column]
    return float(((believed - truth) ** 2).sum()), float(-np.log(max(believed[column], 1e-12)))


def compared(setting: Setting, seed: int, jobs: Sequence[int] = JOBS, fresh: int = FRESH) -> np.ndarray:
    """Jobs x (Brier without, with, log loss without, with) of one shop."""
    rng = np.random.default_rng([seed, 31])
    world = world_of(rng, setting, int(rng.integers(5, 13)))
    taught = list(closed_jobs(rng, world, max(jobs)))
    rng.shuffle(taught)  # type: ignore[arg-type]
    later = list(closed_jobs(rng, world, fresh, verified=1.0, wrongly=0.0))
    found = []
    for number in jobs:
        brier, loss = scores(world.flow, taught[:number], later)
        found.append([*brier.mean(axis=0), *loss.mean(axis=0)])
    return np.array(found)


def told(found: Mapping[Setting, np.ndarray]) -> str:
    """As Markdown; of each setting shops x jobs x four figures."""
    shops = len(next(iter(found.values())))
    lines = [
        f"Brier score of fresh jobs by their bands alone / with their readings, {shops} made-up shops a row, seeds "
        f"[0, 31] to [{shops - 1}, 31], {FRESH} fresh jobs each; in brackets the mean difference ± its standard error "
        f"over shops. {WRONGLY_PROVEN:.0%} of the causes that teach are wrong, {WRONG_PLACE[0]:.0%} to "
        f"{WRONG_PLACE[1]:.0%} of readings are of the wrong place.", "",
        f"| truth | {' | '.join(f'{jobs:,} jobs' for jobs in JOBS)} |", f"| --- |{' ---: |' * len(JOBS)}",
    ]  # fmt: skip
    for setting, shops_of in found.items():
        lines.append(f"| {setting.words} | {' | '.join(_cell(shops_of[:, place]) for place in range(len(JOBS)))} |")
    return "\n".join(lines)


def _cell(shops: np.ndarray) -> str:
    apart = shops[:, 1] - shops[:, 0]
    error = apart.std(ddof=1) / len(apart) ** 0.5
    return f"{shops[:, 0].mean():.3f} / {shops[:, 1].mean():.3f} ({apart.mean():+.4f} ± {error:.4f})"


def found_and_kept(shops: int = 6) -> dict[Setting, np.ndarray]:
    """Of each setting shops x jobs x four figures, as :func:`compared` has them."""
    found: dict[Setting, np.ndarray] = {}
    for setting in SETTINGS:
        found[setting] = np.array([compared(setting, seed) for seed in range(shops)])
        print(setting.words, flush=True)
    keep("measured", told(found))
    return found


def main() -> None:
    print(told(found_and_kept()))


if __name__ == "__main__":
    main()
