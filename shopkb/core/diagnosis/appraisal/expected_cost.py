"""The expected cost of a procedure in minutes, and how often it ends at the right cause. Exact: equal to enumerating
all paths.

The forward pass (:mod:`~shopkb.core.diagnosis.belief.forward_pass`) gives the minutes and the ends. The backward pass
gives what still lies ahead of every step under each cause, and from it the derivative of the result by every
likelihood. Outcomes are taken as independent given the cause, and a step's minutes as the same on every path to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel, Test
from shopkb.core.diagnosis.belief.forward_pass import ForwardPass, Node
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.model import Flow, Go, GoKind
from shopkb.core.flow.paths import loops

TRUST: Final = 2.0
"""Jobs that the base of a likelihood counts for when its uncertainty is told and the model does not say."""

EIGHTY: Final = 1.2816
"""Standard deviations from the mean to either end of an 80 % interval of the normal distribution."""


@dataclass(frozen=True, eq=False)
class BranchTraffic:
    """A branch of the flow: the share of all runs that take it, and P(cause) there; zeros where no run comes."""

    traffic: float
    posterior: Array


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """How much one step's likelihoods under one cause matter.

    ``minutes_spread`` and ``right_spread`` are what their uncertainty alone adds to the standard deviation of the
    expected minutes and of the chance of a right end (delta method). ``outcome`` is the one where a little more
    probability, taken from the step's other outcomes in proportion, changes the minutes most: by ``minutes_slope``
    for each point of 1.
    """

    step: str
    cause: str
    outcome: str
    minutes_slope: float
    right_slope: float
    minutes_spread: float
    right_spread: float


@dataclass(frozen=True, eq=False)
class Appraisal:
    """Expected minutes to an end, their standard deviation from run to run, and the chances of the four ends.

    ``right`` names the cause it is, ``wrong`` another one; ``dead_end`` leaves without a cause; ``handed_over`` goes on
    in another procedure. They sum to 1. ``sensitivities`` lists the (step, cause) whose uncertainty moves the expected
    minutes most, first.
    """

    minutes: float
    deviation: float
    right: float
    wrong: float
    dead_end: float
    handed_over: float
    branches: Mapping[tuple[str, str], BranchTraffic]
    sensitivities: tuple[Sensitivity, ...]
    minutes_error: float | None = None
    right_error: float | None = None

    @property
    def minutes_range(self) -> tuple[float, float] | None:
        """80 % interval of the expected minutes."""
        return _range(self.minutes, self.minutes_error, float("inf"))

    @property
    def right_range(self) -> tuple[float, float] | None:
        """80 % interval of the chance of a right end."""
        return _range(self.right, self.right_error, 1.0)


def _range(mean: float, error: float | None, most: float) -> tuple[float, float] | None:
    return None if error is None else (max(0.0, mean - EIGHTY * error), min(most, mean + EIGHTY * error))


def appraise(flow: Flow, model: CauseModel, *, with_sensitivities: bool = True) -> Appraisal:
    """Send the causes through ``flow``. O(branches x causes x set-up states met).

    ``model`` must hold the flow's steps (:func:`likelihoods.learn` of the same flow). An outcome that leads nowhere,
    as in a draft, counts as a dead end. ``with_sensitivities`` may be left out to save half of the time.

    Raises:
        ValueError: the flow has no start, has a loop, or has steps that the model lacks.
    """
    _check(flow, model)
    forward = ForwardPass(flow, model)
    minutes, square = float(forward.first.sum()), float(forward.second.sum())
    sensitivities: tuple[Sensitivity, ...] = ()
    errors: tuple[float | None, float | None] = None, None
    if with_sensitivities:
        backward = _BackwardPass(forward)
        sensitivities = backward.sensitivities()
        errors = backward.errors(sensitivities)
    return Appraisal(
        minutes=minutes,
        deviation=max(square - minutes**2, 0.0) ** 0.5,
        right=forward.right,
        wrong=forward.wrong,
        dead_end=forward.dead_end,
        handed_over=forward.handed_over,
        branches={key: _branch_traffic(mass) for key, mass in forward.traffic.items()},
        sensitivities=sensitivities,
        minutes_error=errors[0],
        right_error=errors[1],
    )


def _check(flow: Flow, model: CauseModel) -> None:
    if flow.start not in flow.step_by_key:
        raise ValueError(f"{flow.title or flow.procedure} has no first step, so there is nothing to appraise.")
    found = loops(flow)
    if found:
        raise ValueError(f"A loop has no expected minutes: {found[0].step} leads back to {found[0].steps[0]}.")
    missing = [
        f"{step.key}, {outcome.key}"
        for step in flow.steps
        for outcome in step.outcomes
        if (flow.procedure, step.key, outcome.key) not in model.row_of
    ]
    if missing:
        raise ValueError(f"Nothing was learned about {missing[0]}; learn from this revision before appraising it.")


def _branch_traffic(mass: Array) -> BranchTraffic:
    total = float(mass.sum())
    return BranchTraffic(total, mass / total if total > 0 else np.zeros_like(mass))


class _BackwardPass:
    """What lies ahead of every node of the forward pass, and what that says about the uncertainty of the result.

    ``ahead`` holds for each node, by cause, the minutes still ahead and the chance of a right end.
    """

    def __init__(self, forward: ForwardPass) -> None:
        self.forward, self.flow, self.model = forward, forward.flow, forward.model
        self.ahead: dict[Node, tuple[Array, Array]] = {}
        for node in reversed(forward.nodes):
            mean, _ = forward.minutes(node)
            step = self.flow.step_by_key[node[0]]
            ahead = [self._beyond(outcome.go, forward.states_after(node)) for outcome in step.outcomes]
            minutes = np.full(len(self.model.causes), mean if ahead else 0.0)
            right = np.zeros(len(self.model.causes))
            for outcome, (later, good) in zip(step.outcomes, ahead, strict=True):
                chances = self.model.table[self.model.row_of[self.flow.procedure, step.key, outcome.key]]
                minutes, right = minutes + chances * later, right + chances * good
            self.ahead[node] = minutes, right

    def _beyond(self, go: Go, after: frozenset[str]) -> tuple[Array, Array]:
        nothing = np.zeros(len(self.model.causes))
        if go.kind is GoKind.STEP and go.key in self.flow.step_by_key:
            return self.ahead[go.key, after]
        if go.kind is GoKind.CAUSE and go.key in self.flow.cause_by_key:
            right = nothing.copy()
            right[self.model.column_of[self.flow.cause_by_key[go.key].identity]] = 1.0
            return nothing, right
        return nothing, nothing

    def sensitivities(self) -> tuple[Sensitivity, ...]:
        found = []
        for step in self.flow.steps:
            nodes = [node for node in self.forward.nodes if node[0] == step.key]
            if nodes and len(step.outcomes) > 1:
                found += self._step_sensitivities(step.key, nodes)
        return tuple(sorted(found, key=lambda one: (-one.minutes_spread, one.step, one.cause)))

    def _step_sensitivities(self, key: str, nodes: list[Node]) -> list[Sensitivity]:
        """Derivatives by theta(o, c) are mass x what lies ahead of o; moving probability to o takes it from the others
        in proportion, so the mean over outcomes is taken off and 1 - theta divides."""
        step, test = self.flow.step_by_key[key], self.forward.test(key)
        chances = self.model.table[test.start : test.stop]
        slopes = np.zeros((2, *chances.shape))
        for node in nodes:
            ahead = [self._beyond(outcome.go, self.forward.states_after(node)) for outcome in step.outcomes]
            mass = self.forward.arriving[node][0]
            slopes[0] += mass * np.stack([later for later, _ in ahead])
            slopes[1] += mass * np.stack([good for _, good in ahead])
        centred = slopes - (chances * slopes).sum(axis=1, keepdims=True)
        spread = np.sqrt((chances * centred**2).sum(axis=1) / (self._weights(test) + 1))
        moved = centred / np.maximum(1 - chances, 1e-12)
        strongest = np.abs(moved[0]).argmax(axis=0)
        return [
            Sensitivity(
                key, cause, step.outcomes[o].key, float(moved[0, o, c]), float(moved[1, o, c]),
                float(spread[0, c]), float(spread[1, c]),
            )
            for c, (cause, o) in enumerate(zip(self.model.causes, strongest.tolist(), strict=True))
        ]  # fmt: skip

    def _weights(self, test: Test) -> Array:
        """Dirichlet weight of the test's likelihoods, by cause."""
        if self.model.table_weights is not None:
            weights: Array = self.model.table_weights[test.start : test.stop].sum(axis=0)
        elif self.model.evidence is not None:
            weights = self.model.evidence[test.start : test.stop].sum(axis=0) + TRUST
        else:
            weights = np.full(len(self.model.causes), TRUST)
        return weights

    def errors(self, sensitivities: tuple[Sensitivity, ...]) -> tuple[float, float]:
        """Standard deviation of the expected minutes and of the chance of a right end, from what is not known of
        likelihoods, shares of causes and minutes together."""
        prior = self.model.prior
        jobs = prior.sum() * TRUST if self.model.prior_weights is None else self.model.prior_weights.sum()
        ahead = self.ahead.get((self.flow.start, frozenset()), (np.zeros(len(prior)),) * 2)
        shares = [float(prior @ value**2 - (prior @ value) ** 2) / (float(jobs) + 1) for value in ahead]
        timed = 0.0
        for test in {self.forward.test(step) for step, _ in self.forward.nodes if self.flow.step_by_key[step].outcomes}:
            runs = sum(
                float(self.forward.arriving[node][0].sum()) for node in self.forward.nodes if node[0] == test.step
            )
            timed += runs**2 * test.variance / test.timed
        minutes = sum(one.minutes_spread**2 for one in sensitivities) + max(shares[0], 0.0) + timed
        right = sum(one.right_spread**2 for one in sensitivities) + max(shares[1], 0.0)
        return minutes**0.5, right**0.5
