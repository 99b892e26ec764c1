"""How many jobs does a circuit save, and what harm does one do that is wrong? Forecasts with and without it.

Long form: ``python -m tests.simulation circuits``. The truth of the steps that a circuit tells is a circuit of its own:
as it is written, or with every resistance off by up to 30 %; readings are misread as in any made-up shop. Everything
else is as in :mod:`worlds`. The same jobs teach both; the score is that of fresh jobs whose cause is in the circuit,
after everything was recorded on them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from shopkb.core.circuit.solving import readings
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.counting.closed_case import ClosedCase
from shopkb.core.diagnosis.counting.flow_counts import OTHER, count
from shopkb.core.diagnosis.counting.tallies import contributions, merge
from shopkb.core.flow.circuits.predicted import SOUND, Predictions, outcome_shares, predictions
from shopkb.core.flow.circuits.sizes import faults_of, measured_steps, sampled_values, sized
from shopkb.core.flow.model import Flow
from shopkb.core.readings.units import UNITS
from tests.shelf import SHELF
from tests.simulation.tables import keep
from tests.simulation.worlds import World, closed_jobs, drawn

JOBS: Final = (0, 10, 30, 100, 300)
FRESH: Final = 400
ERRORS: Final = (0.01, 0.06)
OFF_BY: Final = (0.0, 0.3)

WITH_CIRCUIT: Final = tuple(name for name, flow in SHELF.items() if flow.circuit is not None)


def true_readings(rng: np.random.Generator, flow: Flow, off_by: float) -> Predictions:
    """What the vehicles of this world read: every resistance is off by a factor of its own, up to ``1 + off_by``."""
    assert flow.circuit is not None
    sampled = sampled_values(flow, {})
    circuit, sizes = sized(flow.circuit, sampled)
    factors = (1 + off_by) ** rng.uniform(-1, 1, len(circuit.parts))
    tests, faults = list(measured_steps(flow.steps)), faults_of(flow)
    other = replace(sizes, ohms=sizes.ohms * factors, cold=sizes.cold * factors)
    table = readings(circuit, other, [(condition, measured) for _, condition, measured in tests], faults)
    for row, (step, _, _) in enumerate(tests):
        table[row] /= float(UNITS[step.reading.unit].scale) if step.reading else 1.0
    columns: dict[str, tuple[int, ...]] = {SOUND: (0,)}
    for number, fault in enumerate(faults, start=1):
        columns[fault.cause] = (*columns.get(fault.cause, ()), number)
    return Predictions({step.key: row for row, (step, _, _) in enumerate(tests)}, columns, table, sampled.values)


def world_of(rng: np.random.Generator, flow: Flow, off_by: float) -> World:
    """A made-up truth whose measured steps are those of a circuit, but for what is misread."""
    world = drawn(rng, flow, errors=ERRORS)
    truth = true_readings(rng, flow, off_by)
    table = dict(world.table)
    for step in flow.steps:
        columns = table[step.key].copy()
        for cause in flow.causes:
            shares = outcome_shares(truth, step, cause.key)
            if len(shares):
                rate = rng.uniform(*ERRORS)
                columns[:, world.causes.index(cause.identity)] = (1 - rate) * shares + rate / len(shares)
        table[step.key] = columns
    return replace(world, table=table)


def brier(flow: Flow, taught: Sequence[ClosedCase], fresh: Sequence[ClosedCase]) -> float:
    """Squared distance between what is said of fresh jobs and what was true, summed over causes, on average."""
    model = learn(count(flow, merge(contributions(case) for case in taught), as_of="2026-01"))
    scores = []
    for case in fresh:
        believed = posterior(model, case.results)
        truth = np.zeros(len(believed))
        truth[model.column_of.get(case.cause, model.column_of[OTHER])] = 1
        scores.append(float(((believed - truth) ** 2).sum()))
    return float(np.mean(scores))


def compared(name: str, seed: int, off_by: float, jobs: Sequence[int] = JOBS, fresh: int = FRESH) -> np.ndarray:
    """Jobs x (without, with): Brier scores of one shop."""
    flow = SHELF[name]
    bare = replace(flow, circuit=None)
    assert predictions(flow).rows
    rng = np.random.default_rng([seed, round(100 * off_by), 19])
    world = world_of(rng, flow, off_by)
    taught = list(closed_jobs(rng, world, max(jobs), months=48))
    inside = {cause.identity for cause in flow.causes if cause.fault is not None}
    later = [case for case in closed_jobs(rng, world, fresh, verified=(1.0, 1.0)) if case.cause in inside]
    return np.array([[brier(one, taught[:number], later) for one in (bare, flow)] for number in jobs])


def told(found: dict[tuple[str, float], np.ndarray]) -> str:
    """As Markdown."""
    lines = [
        "Brier score of fresh jobs with a cause in the circuit, after everything was recorded on them, without / with "
        "the circuit, by the jobs closed before; mean of six shops", "",
        f"| procedure | circuit off by | {' | '.join(f'{jobs} jobs' for jobs in JOBS)} |",
        f"| --- | ---: |{' ---: |' * len(JOBS)}",
    ]  # fmt: skip
    for (name, off_by), table in found.items():
        cells = " | ".join(f"{without:.3f} / {with_it:.3f}" for without, with_it in table)
        lines.append(f"| {name} | {off_by:.0%} | {cells} |")
    return "\n".join(lines)


def main() -> None:
    found = {
        (name, off_by): np.mean([compared(name, seed, off_by) for seed in range(6)], axis=0)
        for name in WITH_CIRCUIT
        for off_by in OFF_BY
    }
    keep("circuits", told(found))
    print(told(found))


if __name__ == "__main__":
    main()
