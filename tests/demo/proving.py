"""How a procedure fares under the hidden truth, worked out exactly: minutes, right ends, and ends by cause.

A walk answers each step wrongly at the stated rate, one of the wrong outcomes as likely as another. A wrong answer need
not end wrongly: where another test contradicts it, the way leads back. Errors of two steps are independent, so a step
that confirms must be another test, not the same one again. Two chances are
told of each cause: that the **first** end names it, and that the **job** ends at it when a repair that did not cure
sends the technician back to the first wrong answer, as the tool does. A wrong repair that is taken for the cure ends a
job wrongly. Nobody gives up, is told the cause or leaves out a step.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np

from shopkb.core.diagnosis.appraisal.expected_cost import Appraisal, appraise
from shopkb.core.diagnosis.belief.cause_model import Branch, CauseModel, Test
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.flow.model import Flow, GoKind, Step
from shopkb.core.flow.paths import order
from shopkb.demo.nature import Nature
from shopkb.demo.truth import MOST_ATTEMPTS, Circumstances, Truth, cause_weights, comes_in, fact

HALFWAY = 0.5


@dataclass(frozen=True, slots=True)
class Chances:
    """Of one cause on one platform: shares of 1."""

    first: float
    job: float


@dataclass(frozen=True, slots=True)
class Fare:
    """What a procedure costs and how often it is right, over the causes and vehicles of the truth.

    ``right``, ``wrong``, ``left`` and ``handed_over`` say how the first walk ends. ``found`` counts the right ends of
    the procedures it hands over to as well.
    """

    minutes: float
    right: float
    wrong: float
    left: float
    handed_over: float
    job: float
    found: float


def platforms_of(truth: Truth, flow: Flow) -> Counter[str]:
    """Vehicles that come in with the complaint, by platform."""
    spec = truth.of(flow)
    return Counter(one.platform for one in truth.vehicles if comes_in(spec, flow, one.platform))


def answers(
    truth: Truth, nature: Nature, step: Step, cause: str, platform: str, errors: float = 1.0
) -> dict[str, float]:
    """P(outcome) of a step when this cause is present; ``errors`` is a factor on the stated rates."""
    fixed = fact(nature.spec, step.key, platform)
    if fixed:
        return {fixed: 1.0}
    true, leads = nature.true_outcomes(step.key, cause)
    wrong = [outcome.key for outcome in step.outcomes if outcome.key not in true]
    rate = min(0.5, nature.spec.errors.get(step.key, truth.errors[step.test]) * errors) if leads and wrong else 0.0
    whole = sum(true.values())
    return {key: (1 - rate) * weight / whole for key, weight in true.items()} | {
        key: rate / len(wrong) for key in wrong
    }


def chances(truth: Truth, nature: Nature, cause: str, platform: str, errors: float = 1.0) -> Chances:
    """Chances of one cause, by its identity. O(steps x outcomes x attempts)."""
    flow, false_cure = nature.flow, truth.shop.false_cure
    by_step = {step.key: answers(truth, nature, step, cause, platform, errors) for step in flow.steps}

    @cache
    def named(step: str) -> float:
        """P(an end that names any cause), from a step that the cause cannot be reached from."""
        return sum(share * ends_named(step, outcome) for outcome, share in by_step[step].items())

    @cache
    def right(step: str, attempts: int) -> float:
        """P(the job ends at the cause), every answer before this step being right."""
        good = set(nature.right_outcomes(step, cause))
        shares = {key: share for key, share in by_step[step].items() if key in good}
        ahead = {key: arrives(step, key, attempts) for key in shares}
        total = sum(shares[key] * ahead[key] for key in shares)
        if attempts > 1 and shares:
            again = sum(shares[key] * arrives(step, key, attempts - 1) for key in shares) / sum(shares.values())
            for key, share in by_step[step].items():
                if key not in good:
                    total += share * (1 - false_cure * ends_named(step, key)) * again
        return total

    def arrives(step: str, outcome: str, attempts: int) -> float:
        go = flow.step_by_key[step].outcome(outcome).go
        return right(go.key, attempts) if go.kind is GoKind.STEP else 1.0

    def ends_named(step: str, outcome: str) -> float:
        go = flow.step_by_key[step].outcome(outcome).go
        return named(go.key) if go.kind is GoKind.STEP else float(go.kind is GoKind.CAUSE)

    return Chances(right(flow.start, 1), right(flow.start, MOST_ATTEMPTS))


def found_at_once(
    truth: Truth,
    natures: Mapping[str, Nature],
    key: str,
    cause: str,
    platform: str,
    followed: frozenset[str] = frozenset(),
) -> float:
    """P(the first walk ends at the cause), through the procedures that the one with this key hands over to."""
    nature, followed = natures[key], followed | {key}

    @cache
    def ahead(step: str) -> float:
        shares = answers(truth, nature, nature.flow.step_by_key[step], cause, platform)
        return sum(share * beyond(step, outcome) for outcome, share in shares.items())

    def beyond(step: str, outcome: str) -> float:
        go = nature.flow.step_by_key[step].outcome(outcome).go
        if go.kind is GoKind.STEP:
            return ahead(go.key)
        if go.kind is GoKind.HAND_OVER and go.key in natures and go.key not in followed:
            return found_at_once(truth, natures, go.key, cause, platform, followed)
        return float(go.kind is GoKind.CAUSE and nature.flow.cause_by_key[go.key].identity == cause)

    return ahead(nature.flow.start)


def verdicts(truth: Truth, flow: Flow) -> dict[str, dict[str, float]]:
    """Of each cause that a first walk names, by key: the true causes behind it, by identity, as shares of all jobs.

    O(vehicles x causes x steps x outcomes).
    """
    nature, found = Nature(flow, truth.of(flow)), defaultdict[str, dict[str, float]](dict)
    vehicles = platforms_of(truth, flow)
    for platform, count in vehicles.items():
        weights = cause_weights(nature.spec, flow, Circumstances(platform, HALFWAY))
        each = count / vehicles.total() / sum(weights.values())
        for cause, weight in weights.items():
            for named, share in _named(truth, nature, cause, platform).items():
                found[named][cause] = found[named].get(cause, 0.0) + each * weight * share
    return dict(found)


def _named(truth: Truth, nature: Nature, cause: str, platform: str) -> dict[str, float]:
    """P(the first walk names a cause), by its key."""
    flow, found = nature.flow, defaultdict[str, float](float)
    here = defaultdict[str, float](float, {flow.start: 1.0})
    for step in order(flow):
        shares = answers(truth, nature, flow.step_by_key[step], cause, platform) if here[step] else {}
        for outcome, share in shares.items():
            go = flow.step_by_key[step].outcome(outcome).go
            if go.kind is GoKind.STEP:
                here[go.key] += here[step] * share
            elif go.kind is GoKind.CAUSE:
                found[go.key] += here[step] * share
    return found


def fare(
    truth: Truth, flow: Flow, access_minutes: Mapping[str, float], others: Mapping[str, Flow] | None = None
) -> Fare:
    """The whole procedure, halfway through the period, each platform by its number of vehicles.

    ``others`` are the procedures it may hand over to.
    """
    nature, parts = Nature(flow, truth.of(flow)), []
    natures = {key: Nature(other, truth.of(other)) for key, other in (others or {}).items()} | {flow.procedure: nature}
    for platform, vehicles in platforms_of(truth, flow).items():
        weights = cause_weights(nature.spec, flow, Circumstances(platform, HALFWAY))
        whole = sum(weights.values())
        appraisal = _appraised(truth, nature, weights, platform, access_minutes)
        known = {cause.identity for cause in flow.causes}
        jobs = {cause: chances(truth, nature, cause, platform).job for cause in known if weights[cause] > 0}
        job = sum(weights[cause] * chance for cause, chance in jobs.items()) / whole
        at_once = {cause: found_at_once(truth, natures, flow.procedure, cause, platform) for cause in weights}
        found = sum(weights[cause] * chance for cause, chance in at_once.items()) / whole
        ends = (appraisal.minutes, appraisal.right, appraisal.wrong, appraisal.dead_end, appraisal.handed_over)
        parts.append((vehicles, (*ends, job, found)))
    total = sum(vehicles for vehicles, _figures in parts)
    return Fare(*(sum(vehicles * figures[place] for vehicles, figures in parts) / total for place in range(7)))


def _appraised(
    truth: Truth, nature: Nature, weights: Mapping[str, float], platform: str, access_minutes: Mapping[str, float]
) -> Appraisal:
    """The appraisal of the flow with the truth in place of what is learned."""
    flow, causes = nature.flow, [*weights, OTHER]
    columns = [{step.key: answers(truth, nature, step, cause, platform) for step in flow.steps} for cause in causes]
    branches: list[Branch] = []
    tests: list[Test] = []
    rows: list[list[float]] = []
    for step in flow.steps:
        start = len(branches)
        for outcome in step.outcomes:
            named = flow.cause_by_key[outcome.go.key].identity if outcome.go.kind is GoKind.CAUSE else ""
            branches.append(Branch(flow.procedure, step.key, outcome.key, names=named))
            rows.append([column[step.key].get(outcome.key, 0.0) for column in columns])
        tests.append(
            Test(flow.procedure, step.key, step.title, start, len(branches), step.minutes or 5.0, access=step.access)
        )
    prior = np.array([weights.get(cause, 0.0) for cause in causes])
    table = np.array(rows)
    return appraise(
        flow,
        CauseModel(
            tuple(causes), prior / prior.sum(), tuple(branches), table, tuple(tests), access_minutes=access_minutes
        ),
        with_sensitivities=False,
    )
