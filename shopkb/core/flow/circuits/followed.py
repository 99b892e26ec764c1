"""Circuits sent through the steps of their procedure, sample by sample: where each comes to, and on which branch."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shopkb.core.circuit.parts import Array
from shopkb.core.flow.circuits.predicted import SOUND, Predictions, band_ends, predictions
from shopkb.core.flow.memoize import memoized
from shopkb.core.flow.model import Flow, GoKind, Step
from shopkb.core.flow.paths import causes_reachable, loops, order


@dataclass(frozen=True, eq=False)
class Followed:
    """One state of the circuit, sound or with a cause.

    ``reach`` gives by step how much of each sample comes there (0 to 1), ``branches`` by (step, outcome) how much takes
    that branch. What the circuit does not tell goes to the outcomes that lead to the cause in equal parts.
    """

    reach: Mapping[str, Array]
    branches: Mapping[tuple[str, str], Array]


def followed(flow: Flow) -> Mapping[str, Followed]:
    """Every state by the key of its cause, the sound circuit under :data:`SOUND`; empty where nothing is predicted or
    the procedure cannot be passed through."""
    return memoized(flow, "_followed", _followed)


def _followed(flow: Flow) -> Mapping[str, Followed]:
    predicted = predictions(flow)
    if not predicted.columns or loops(flow) or flow.start not in flow.step_by_key:
        return {}
    held = {step.key: inside(predicted, step) for step in flow.steps}
    return {cause: _through(flow, predicted, cause, held) for cause in predicted.columns}


Inside = Mapping[str, NDArray[np.bool_]]


def inside(predicted: Predictions, step: Step) -> Mapping[str, Inside]:
    """By cause and outcome, in which samples the reading lies in the band; empty where that cannot be told."""
    ends = band_ends(predicted, step)
    if ends is None:
        return {}
    readings = {cause: predicted.of(step.key, cause) for cause in predicted.columns}
    return {
        cause: dict(zip((outcome.key for outcome in step.outcomes), ends.inside(found), strict=True))
        for cause, found in readings.items()
        if len(found)
    }


def _through(flow: Flow, predicted: Predictions, cause: str, held: Mapping[str, Mapping[str, Inside]]) -> Followed:
    samples = len(predicted.values) * len(predicted.columns[cause])
    reach = {step.key: np.zeros(samples) for step in flow.steps}
    reach[flow.start] = np.ones(samples)
    branches: dict[tuple[str, str], Array] = {}
    for key in order(flow):
        step = flow.step_by_key[key]
        told = held[key].get(cause)
        ways = [one.key for one in step.outcomes if cause in causes_reachable(flow, key, one.key)]
        if not ways or len(ways) == len(step.outcomes):
            ways = [one.key for one in step.outcomes]
        for outcome in step.outcomes:
            share = told[outcome.key] if told is not None else float(outcome.key in ways) / len(ways)
            branches[key, outcome.key] = reach[key] * share
            if outcome.go.kind is GoKind.STEP and outcome.go.key in reach:
                reach[outcome.go.key] = reach[outcome.go.key] + branches[key, outcome.key]
    return Followed(reach, branches)


__all__ = ["SOUND", "Followed", "followed", "inside"]
