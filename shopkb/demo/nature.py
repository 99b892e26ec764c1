"""What a step shows when a cause is present: the flow says which outcomes are right, the truth how often each is found.

Pure: randomness comes from the generator given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np

from shopkb.core.flow.model import Flow, Outcome, Step
from shopkb.core.flow.paths import causes_reachable
from shopkb.core.readings.bands import Interval
from shopkb.core.readings.quantities import Quantity
from shopkb.demo.truth import ANY, ProcedureTruth, Weights, fact

SUPPLY = 12.6
"""Volts that a good supply shows at most."""


def choose(rng: np.random.Generator, weights: Weights) -> str:
    """One key, by weight."""
    keys = list(weights)
    levels = np.cumsum(list(weights.values()))
    return keys[int(np.searchsorted(levels, rng.random() * levels[-1], side="right"))]


@dataclass(eq=False)
class Nature:
    """One procedure and its truth. Weights and right outcomes are worked out once for each step and cause."""

    flow: Flow
    spec: ProcedureTruth
    _known: dict[tuple[str, str], tuple[dict[str, float], bool]] = field(default_factory=dict)
    _right: dict[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)

    def true_outcomes(self, step: str, cause: str) -> tuple[dict[str, float], bool]:
        """Weights of what a careful technician finds, and whether the way still leads to the cause (an identity)."""
        key = (step, cause)
        if key not in self._known:
            self._known[key] = self._work_out(self.flow.step_by_key[step], cause)
        return self._known[key]

    def _work_out(self, step: Step, cause: str) -> tuple[dict[str, float], bool]:
        for other in self.spec.elsewhere:
            if other.cause == cause and step.key in other.way:
                return {other.way[step.key]: 1.0}, True
        right = self.right_outcomes(step.key, cause)
        if not right:
            weights = dict(self.spec.otherwise.get(step.key, {}))
            return weights or {outcome.key: 1.0 for outcome in step.outcomes}, False
        causes = self.spec.split.get(step.key, {})
        key = next((one.key for one in self.flow.causes if one.identity == cause), "")
        cause_weights_here = causes.get(key, causes.get(ANY, {}))
        weights = {outcome: cause_weights_here[outcome] for outcome in right if cause_weights_here.get(outcome, 0) > 0}
        return weights or dict.fromkeys(right, 1.0), True

    def right_outcomes(self, step: str, cause: str) -> tuple[str, ...]:
        """Outcomes through which the cause can still be reached."""
        if (step, cause) not in self._right:
            keys = {one.key for one in self.flow.causes if one.identity == cause}
            self._right[step, cause] = tuple(
                outcome.key
                for outcome in self.flow.step_by_key[step].outcomes
                if keys & causes_reachable(self.flow, step, outcome.key)
            )
        return self._right[step, cause]

    def kind(self, platform: str) -> tuple[str, ...]:
        """What vehicles of this platform show whatever the cause: those alike in it answer every step alike."""
        return tuple(fact(self.spec, step, platform) for step in self.spec.facts)

    def outcome(self, rng: np.random.Generator, step: Step, cause: str, error: float, platform: str = "") -> str:
        """What is answered: with probability ``error`` one that a careful technician would not find, each as likely.

        Such an answer need not be fatal: a later step may still lead back to the cause.
        """
        fixed = fact(self.spec, step.key, platform)
        if fixed:
            return fixed
        true, leads = self.true_outcomes(step.key, cause)
        wrong = [outcome.key for outcome in step.outcomes if outcome.key not in true]
        if leads and wrong and rng.random() < error:
            return wrong[int(rng.integers(len(wrong)))]
        return choose(rng, true)


def typed_reading(
    rng: np.random.Generator, step: Step, outcome: Outcome, values: Mapping[str, Quantity]
) -> tuple[str, Quantity | None]:
    """A plausible reading inside the outcome's band, as somebody types it, and its size (``None``: over limit)."""
    spec, band = step.reading, outcome.band
    if spec is None or band is None:
        raise ValueError(f"The step {step.key!r} measures nothing on the outcome {outcome.key!r}.")
    interval = band.resolve(values, spec.unit)
    if interval.over_limit:
        return "OL", None
    low, high = plausible(interval, spec.unit)
    places = _places(spec.unit, high)
    for extra in range(8):
        for _ in range(10):
            number = Decimal(f"{low + (high - low) * rng.beta(1.6, 1.6):.{places + extra}f}")
            if interval.holds(float(number)):
                return _as_typed(rng, number, spec.unit), Quantity(number, spec.unit)
    raise ValueError(f"No reading fits the band of {outcome.key!r} of the step {step.key!r}.")


def plausible(interval: Interval, unit: str) -> tuple[float, float]:
    """The part of a band in which readings really fall. Both ends finite and inside the band."""
    low, high = interval.low, interval.high
    if np.isfinite(low) and np.isfinite(high):
        inset = (high - low) * 0.08
        return low + inset, high - inset
    if np.isfinite(low):
        return _above(low, unit)
    if not np.isfinite(high):
        return 0.0, 1.0
    if unit == "V" and high > 5:
        return high * 0.8, high * 0.985
    return (high * 0.1, high * 0.9) if high > 0 else (high * 1.5 - 1, high * 1.1 - 0.01)


def _above(low: float, unit: str) -> tuple[float, float]:
    if unit == "V" and low > 5:
        return low, max(SUPPLY, low * 1.03)
    if unit == "ohm":
        return low * 1.2, low * 12
    if unit == "bar":
        return low * 1.005, low * 1.09
    return (low * 1.08, low * 3.0) if low > 0 else (0.05, 5.0)


def _places(unit: str, size: float) -> int:
    if unit in {"V", "bar"}:
        return 2
    if unit == "A":
        return 1 if size < 100 else 0
    return 0 if size >= 1000 else 1


def _as_typed(rng: np.random.Generator, number: Decimal, unit: str) -> str:
    manner = rng.random()
    text = str(number)
    if manner < 0.1 and len(text.partition(".")[2]) < 3:  # 1,234 would be read as a thousand and something
        text = text.replace(".", ",")
    return f"{text} {unit}" if manner > 0.75 else text
