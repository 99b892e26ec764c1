"""How likely each outcome is under each cause: smoothed counts over a base that the flow, or its circuit, provides.

A new procedure thus reasons the way its writer does, and data overrule it. Dirichlet-multinomial conjugacy (Gelman and
others, Bayesian Data Analysis, 3rd ed., section 3.4). Counts are corrected for selective verification, see
:mod:`~shopkb.core.diagnosis.counting.selection_bias`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shopkb.core.diagnosis.belief.cause_model import Branch, CauseModel, RepairAction, Test
from shopkb.core.diagnosis.belief.forward_pass import set_up_shares
from shopkb.core.diagnosis.belief.from_circuit import with_circuit
from shopkb.core.diagnosis.belief.from_trials import with_trials
from shopkb.core.diagnosis.belief.hand_over_priors import with_hand_overs
from shopkb.core.diagnosis.belief.recalibration import NO_RECALIBRATION, Recalibration
from shopkb.core.diagnosis.counting.branch_success import one_tree
from shopkb.core.diagnosis.counting.flow_counts import OTHER, BranchReach, FlowCounts
from shopkb.core.diagnosis.counting.selection_bias import VerificationWeights, verification_weights
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.diagnosis.rates.pooling import pool
from shopkb.core.diagnosis.rates.pooling_strengths import Problem, learn_strengths
from shopkb.core.flow.hand_overs import CausesBehind, HandOverCauses
from shopkb.core.flow.model import Cause, Flow, GoKind, Proof, Step, Usual
from shopkb.core.identifiers import is_within

SMOOTHING: Final = 8.0
"""Jobs that the base counts for. Simulated shops forecast best with about 8, from 60 jobs to 800 and whether tests err
seldom or often (``python -m tests.simulation smoothing``), so it is not chosen anew for every procedure."""

EQUAL_SHARES: Final = 16.0
"""What the base counts for each outcome, in jobs, beside those that took it: which of several outcomes that lead to a
cause will come, the jobs of other causes hardly tell. Chosen by score like :data:`SMOOTHING`."""

FLOOR: Final = 0.005
"""No outcome is less likely under any cause than this part of what it is under the cause that shows it most: no
reading may make a cause impossible, and one that seldom comes still tells."""

MISLEADS: Final = 0.05
"""What the writer's word gives, for each cause, the outcomes that do not lead to it any more."""

END_MISLEADS: Final = 0.03
"""The same of an outcome that ends the search: a proof other than elimination, or a hand-over. Such a step is written
to be sure, not to go on."""

MISLEADS_WEIGHT: Final = 30.0
"""What that word counts for, in jobs, beside those of all causes that an outcome leads away from. Chosen by score."""

MOST_MISLED: Final = 0.5

BY_HAND_OVER: Final = 0.2
"""How likely an outcome is from which a cause is found in another procedure only, beside one of the same step from
which this procedure finds it."""

USUAL_WEIGHT: Final[Mapping[Usual, float]] = {Usual.COMMON: 3.0, Usual.OCCASIONAL: 1.5, Usual.RARE: 0.5}
OTHER_WEIGHT: Final = 0.5
"""What the writer's words, and the unknown, count for in jobs before any job was closed."""

HAND_OVER_WEIGHT: Final = 1.5
"""What a procedure handed over to counts for: an occasional cause."""

FARTHER: Final = 0.3
"""How common a cause is that the procedure handed over to does not list, but may hand over for in turn, beside one
that it lists."""

STARTING_MINUTES: Final = 5.0
"""A step's minutes where neither its writer nor any job says."""

MINUTES_WEIGHT: Final = 2.0
LEAST_MINUTES: Final = 0.25

LEAST_OWN: Final = 0.1
"""Of the time between two answers at least so much is the step's own, however long its set-up is said to take."""


def floored(weights: Array, floor: float = FLOOR) -> Array:
    """Columns of outcomes x causes made to sum to 1, no entry below ``floor`` times the highest of its row before the
    last division."""
    table = weights / weights.sum(axis=0)
    table = np.maximum(table, floor * table.max(axis=1, keepdims=True))
    result: Array = table / table.sum(axis=0)
    return result


def base_of(leads: Array, shares: Array, misleads: Array | float = MISLEADS) -> Array:
    """What the flow says of the outcomes of one step before any job: outcomes x causes.

    ``leads`` is 1 where a cause can still be found after an outcome, less where hardly, else 0; ``shares`` are the
    outcomes' overall shares; ``misleads`` is the chance, one for all or outcomes x causes, of an outcome that leads
    away from the cause, where all outcomes lead away but one. Where no outcome or every outcome leads to a cause, the
    step says nothing about it.
    """
    q = shares / shares.sum()
    there = q[:, None] * leads
    some = there.sum(axis=0)
    split, share = _leading_away(leads, q)
    wrong = misleads * share
    telling = (1 - wrong.sum(axis=0)) * there / np.where(split, some, 1) + wrong
    base: Array = np.where(split, telling, q[:, None])
    return base


def how_often_misled(leads: Array, shares: Array, verified: Array, written: Array) -> Array:
    """How often each outcome comes for each cause that it leads away from, outcomes x causes; see :func:`base_of`.

    ``written`` counts for :data:`MISLEADS_WEIGHT` jobs, beside the ``verified`` jobs (outcomes x causes) of all other
    causes that the outcome leads away from: a proof that never came for another cause is worth more than its writer
    could know.
    """
    _, share = _leading_away(leads, shares / shares.sum())
    misled, jobs = verified * (share > 0), verified.sum(axis=0) * share
    misled, jobs = misled.sum(axis=1, keepdims=True) - misled, jobs.sum(axis=1, keepdims=True) - jobs
    found: Array = (MISLEADS_WEIGHT * written[:, None] + misled) / (MISLEADS_WEIGHT + jobs)
    return np.minimum(found, MOST_MISLED)


def _leading_away(leads: Array, q: Array) -> tuple[NDArray[np.bool_], Array]:
    """Which causes some outcomes lead to and some away from, and by outcome and such cause the outcome's share among
    those that lead away from it."""
    elsewhere = q[:, None] * (leads == 0)
    none = elsewhere.sum(axis=0)
    split = (leads > 0).any(axis=0) & (none > 0)
    return split, np.where(split, elsewhere / np.where(split, none, 1.0), 0.0)


def learn(
    counts: FlowCounts,
    platform: str = "",
    *,
    smoothing: float = SMOOTHING,
    prior_strengths: Sequence[float] = (),
    access_minutes: Mapping[str, float] | None = None,
    recalibration: Recalibration = NO_RECALIBRATION,
) -> CauseModel:
    """Everything that reasoning about one procedure on one platform takes, from its counts.

    Likelihoods are shared by all platforms, priors are pooled over the platform tree with ``prior_strengths``.
    ``access_minutes`` gives what each set-up state costs to reach; ``recalibration`` is the shop's.
    """
    return learn_each(
        counts,
        (platform,),
        smoothing=smoothing,
        prior_strengths=prior_strengths,
        access_minutes=access_minutes,
        recalibration=recalibration,
    )[platform]


def learn_each(
    counts: FlowCounts,
    platforms: Iterable[str],
    *,
    smoothing: float = SMOOTHING,
    prior_strengths: Sequence[float] = (),
    access_minutes: Mapping[str, float] | None = None,
    recalibration: Recalibration = NO_RECALIBRATION,
) -> dict[str, CauseModel]:
    """The same for several platforms, by path: only their priors differ, so the rest is worked out once."""
    flow = counts.flow
    weights = np.empty((len(counts.branches), len(counts.causes)))
    table = np.empty_like(weights)
    put_right = verification_weights(counts)
    for step in flow.steps:
        rows = counts.rows_of_step[step.key]
        if rows.stop > rows.start:
            weights[rows] = _step_weights(counts, rows, smoothing, put_right.branches[rows])
            table[rows] = floored(weights[rows])
    priors = _pooled_priors(counts, ("", *platforms), prior_strengths, put_right)
    whole = CauseModel(
        causes=counts.causes,
        names=(*_names(counts), "a cause this procedure does not know"),
        prior=priors[""] / priors[""].sum(),
        branches=tuple(_branch(flow, step, place) for step in flow.steps for place in range(len(step.outcomes))),
        table=table,
        evidence=counts.verified.copy(),
        tests=tuple(_test(counts, step) for step in flow.steps if step.outcomes),
        repairs=_repairs(flow, counts.causes),
        access_minutes=dict(access_minutes or {}),
        corrected=tuple((flow.procedure, step.key) for step in flow.steps if step.key in put_right.corrected_steps),
        prior_weights=priors[""],
        table_weights=weights,
        behind=counts.behind.parts,
        recalibration=recalibration,
    )
    whole = replace(whole, tests=tuple(_without_set_up(counts, whole)))
    return {path: _with_prior(flow, whole, prior) for path, prior in priors.items()}


def _with_prior(flow: Flow, model: CauseModel, weights: Array) -> CauseModel:
    usual = replace(model, prior=weights / weights.sum(), prior_weights=weights)
    raised = with_hand_overs(flow, usual)
    return replace(usual, prior=raised / raised.sum(), prior_weights=raised)


def prior_of(counts: FlowCounts, platform: str = "", strengths: Sequence[float] = ()) -> Array:
    """P(cause) on a platform before any result. Never 0 for any cause."""
    weights = prior_weights(counts, platform, strengths)
    prior: Array = weights / weights.sum()
    return prior


def prior_weights(counts: FlowCounts, platform: str = "", strengths: Sequence[float] = ()) -> Array:
    """Weights of the Dirichlet over the causes on a platform before any result.

    Pooled over the platform tree, starting from the writer's words; corrected for selective verification.
    """
    return _pooled_priors(counts, (platform,), strengths, verification_weights(counts))[platform]


def _pooled_priors(
    counts: FlowCounts, platforms: Iterable[str], strengths: Sequence[float], put_right: VerificationWeights
) -> dict[str, Array]:
    runs = counts.runs * _start_correction(counts, put_right)
    lent = pool(counts.tree.forest, runs, strengths, _starting_belief(counts)).prior
    return {path: _lent_and_own(counts, path, lent, runs) for path in platforms}


def _lent_and_own(counts: FlowCounts, platform: str, lent: Array, runs: Array) -> Array:
    """What the relatives of a platform lend it, and all jobs on it: those of a wider one are the shop's own mix."""
    node = _nearest(counts, platform)
    inside = [place for place, path in enumerate(counts.tree.paths) if is_within(path, counts.tree.paths[node])]
    own: Array = lent[node] + runs[inside].sum(axis=0)
    return own


def cause_strengths(counts: Sequence[FlowCounts]) -> tuple[float, ...]:
    """How alike the shares of causes are at each level of the platform tree, from all flows of the shop together.

    Raises:
        ValueError: the flows were counted over different platform trees.
    """
    if not counts:
        return ()
    forest = one_tree(counts).forest
    return learn_strengths(forest, [Problem(one.runs, _starting_belief(one)) for one in counts])


def _nearest(counts: FlowCounts, platform: str) -> int:
    """The node of the platform, or of its nearest ancestor that the counts know."""
    path = "/".join(part for part in platform.split("/") if part)
    while path not in counts.tree.index:
        path = path.rpartition("/")[0]
    return counts.tree.index[path]


def _starting_belief(counts: FlowCounts) -> Array:
    weights = dict.fromkeys(counts.causes, 0.0)
    for cause in counts.flow.causes:
        weights[cause.identity] = max(weights[cause.identity], USUAL_WEIGHT[cause.usual])
    for part in counts.behind.parts:
        weights[part.identity] = _weight_behind(part, counts.behind)
    weights[OTHER] = OTHER_WEIGHT
    return np.array(list(weights.values()))


def _weight_behind(part: CausesBehind, behind: HandOverCauses) -> float:
    """Each hand-over counts :data:`HAND_OVER_WEIGHT`, shared among the parts behind it by the number of causes, those
    that lie behind it directly counting for more."""

    def size(one: CausesBehind, procedure: str) -> float:
        near = len(one.causes & listed[procedure])
        return near + FARTHER * (len(one.causes) - near)

    listed = dict(behind.found)
    shares = (
        size(part, procedure) / sum(size(one, procedure) for one in behind.parts if procedure in one.procedures)
        for procedure in part.procedures
    )
    return HAND_OVER_WEIGHT * sum(shares)


def _start_correction(counts: FlowCounts, put_right: VerificationWeights) -> Array:
    """What a verified run of each cause counts; the number of jobs behind the priors stays."""
    weights = put_right.steps.get(counts.flow.start, np.ones(len(counts.causes)))
    jobs = counts.runs.sum(axis=0)
    total = float(jobs @ weights)
    factor: Array = weights * (jobs.sum() / total) if total > 0 else np.ones(len(counts.causes))
    return factor


def _step_weights(counts: FlowCounts, rows: slice, smoothing: float, put_right: Array) -> Array:
    """Weights of the Dirichlet of each cause over the outcomes of a step; the number of jobs behind them stays."""
    verified, traffic = counts.verified[rows], counts.traffic[rows]
    leads = _leads(counts, rows)
    corrected = verified * put_right
    total = corrected.sum(axis=0)
    corrected *= np.where(total > 0, verified.sum(axis=0) / np.where(total > 0, total, 1.0), 1.0)
    shares = traffic + EQUAL_SHARES
    written = np.array([END_MISLEADS if _ends(counts, one) else MISLEADS for one in counts.branches[rows]])
    base = base_of(leads, shares, how_often_misled(leads, shares, corrected, written))
    flow, step = counts.flow, counts.branches[rows][0][0]
    written_base = with_trials(flow, step, counts.causes, with_circuit(flow, step, counts.causes, base))
    weights: Array = corrected + smoothing * written_base
    return weights


def _leads(counts: FlowCounts, rows: slice) -> Array:
    """Outcomes of a step x causes: 1 where a cause can still be found after an outcome, here or, where the procedure
    does not list it, where the job may be handed over to; :data:`BY_HAND_OVER` where one that it lists can be found
    there only, although other outcomes of the step lead to it here. A cause that none leads to leaves what is tested
    here sound, and on sound parts a search ends with nothing found: 1 for the outcomes that may end so."""
    reaches, own = counts.reach[rows], _own(counts)
    here = np.array([[cause in reach.causes for cause in own] for reach in reaches]).reshape(len(reaches), len(own))
    there = np.array([_found_there(reach, counts) for reach in reaches]).reshape(len(reaches), len(own))
    listed = np.where(here, 1.0, np.where(here.any(axis=0), BY_HAND_OVER, 1.0) * there)
    beyond = [
        [*(not reach.hand_overs.isdisjoint(part.procedures) for part in counts.behind.parts), False]
        for reach in reaches
    ]
    leads = np.hstack([listed, np.array(beyond, dtype=np.float64)])
    sound = np.array([float(reach.out or bool(reach.hand_overs)) for reach in reaches])
    return np.where(leads.any(axis=0), leads, sound[:, None])


def _ends(counts: FlowCounts, branch: tuple[str, str]) -> bool:
    """Whether the branch ends the search by a proof other than elimination, or by a hand-over."""
    outcome = counts.flow.step_by_key[branch[0]].outcome(branch[1])
    if outcome.go.kind is GoKind.CAUSE:
        return outcome.proof not in (None, Proof.ELIMINATION)
    return outcome.go.kind is GoKind.HAND_OVER


def _found_there(reach: BranchReach, counts: FlowCounts) -> list[bool]:
    """Of each cause that the flow lists, whether a procedure that may be handed over to lists it too."""
    found = frozenset[str]().union(*(causes for key, causes in counts.behind.found if key in reach.hand_overs))
    return [cause in found for cause in _own(counts)]


def _own(counts: FlowCounts) -> tuple[str, ...]:
    """The causes that the flow lists."""
    return counts.causes[: len(counts.causes) - 1 - len(counts.behind.parts)]


def _names(counts: FlowCounts) -> Iterator[str]:
    for identity in _own(counts):
        yield _name(counts.flow, identity)
    for part in counts.behind.parts:
        yield part.name


def _name(flow: Flow, identity: str) -> str:
    cause = next(cause for cause in flow.causes if cause.identity == identity)
    component = cause.component.rpartition("/")[2].replace("-", " ")
    return f"{component}, {cause.mode}" if cause.mode else component


def _branch(flow: Flow, step: Step, place: int) -> Branch:
    outcome = step.outcomes[place]
    named = flow.cause_by_key.get(outcome.go.key) if outcome.go.kind is GoKind.CAUSE else None
    proof = outcome.proof or Proof.ELIMINATION if named else None
    return Branch(
        flow.procedure, step.key, outcome.key, step.title, outcome.label, named.identity if named else "", proof
    )


def _test(counts: FlowCounts, step: Step, set_up: float = 0.0) -> Test:
    """``set_up``: minutes of its set-up that jobs took on average within the time of this step."""
    timed, total, squares = counts.minutes[[s.key for s in counts.flow.steps].index(step.key)]
    less = min(set_up, (1 - LEAST_OWN) * total / timed) if timed > 0 else 0.0
    mean, variance = minutes_of(
        step.minutes, timed, total - less * timed, squares - 2 * less * total + less * less * timed
    )
    rows = counts.rows_of_step[step.key]
    return Test(
        counts.flow.procedure,
        step.key,
        step.title,
        rows.start,
        rows.stop,
        mean,
        variance,
        step.access,
        step.needs,
        MINUTES_WEIGHT + float(timed),
    )


def _without_set_up(counts: FlowCounts, model: CauseModel) -> Iterator[Test]:
    """The tests with the minutes that they take by themselves. A job's time between two answers holds the set-up too,
    wherever the second step's state had yet to be reached; it is counted apart, once a job, so it is taken off here."""
    dear = {access for access, minutes in model.access_minutes.items() if minutes > 0}
    shares = set_up_shares(counts.flow, model) if any(test.access in dear for test in model.tests) else {}
    for test in model.tests:
        share = shares.get(test.step, 0.0) if test.access in dear else 0.0
        step = counts.flow.step_by_key[test.step]
        yield _test(counts, step, share * model.access_minutes[test.access]) if share > 0 else test


def minutes_of(written: float | None, timed: float, total: float, squares: float) -> tuple[float, float]:
    """Mean and variance of a step's minutes: what the writer said counts as two jobs that scatter by half of it."""
    start = max(STARTING_MINUTES if written is None else written, LEAST_MINUTES)
    jobs = MINUTES_WEIGHT + max(timed, 0.0)
    mean = (MINUTES_WEIGHT * start + total) / jobs
    scatter = MINUTES_WEIGHT * ((start / 2) ** 2 + start**2) + squares
    return max(float(mean), LEAST_MINUTES), max(float(scatter / jobs - mean**2), 0.0)


def _repairs(flow: Flow, causes: Sequence[str]) -> tuple[RepairAction, ...]:
    """Causes that one correction of one component puts right are one repair."""
    place = {identity: number for number, identity in enumerate(causes)}
    groups: dict[tuple[str, str], list[Cause]] = {}
    for cause in flow.causes:
        words = " ".join(cause.correction.lower().split()).rstrip(".")
        groups.setdefault((cause.component, words or f"#{cause.identity}"), []).append(cause)
    access = _access_of(flow)
    return tuple(
        RepairAction(
            causes=tuple(sorted({place[cause.identity] for cause in group})),
            correction=group[0].correction,
            minutes=max(STARTING_MINUTES if cause.minutes is None else cause.minutes for cause in group),
            price=max(cause.price or 0.0 for cause in group),
            access=next((access[cause.key] for cause in group if cause.key in access), ""),
        )
        for group in groups.values()
    )


def _access_of(flow: Flow) -> dict[str, str]:
    """The set-up state in which each cause is worked on: that of a step on its component, else that which names it."""
    found: dict[str, str] = {}
    for step in flow.steps:
        for outcome in step.outcomes:
            if outcome.go.kind is GoKind.CAUSE and step.access:
                found.setdefault(outcome.go.key, step.access)
    for cause in flow.causes:
        at = [step.access for step in flow.steps if step.at and step.access and is_within(cause.component, step.at)]
        if at:
            found[cause.key] = at[0]
    return found
