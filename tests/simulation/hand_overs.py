"""Jobs that are handed over: what is believed of the cause that the second procedure proves?

Long form: ``python -m tests.simulation hand-overs`` (some minutes). For every hand-over of the shipped procedures and
every cause that the procedure handed over to names: the shortest way to the hand-over, then the shortest way to that
end, without an error. A fresh shop knows what the writers say; an old one has closed jobs, drawn from truths that the
tool has not seen: on some, the cause lies behind a hand-over.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from typing import NamedTuple

import numpy as np

from shopkb.core.diagnosis.advice.next_action import advise
from shopkb.core.diagnosis.advice.repairs import Prices
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.joined import FollowedProcedure, joined
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.diagnosis.counting.flow_counts import count
from shopkb.core.diagnosis.counting.tallies import contributions, merge
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.circuits.predicted import outcome_shares, predictions
from shopkb.core.flow.hand_overs import causes_behind, handed_over_to, reached_from
from shopkb.core.flow.model import Flow, GoKind, Outcome, Proof
from tests.shelf import CATALOG, SHELF
from tests.simulation.tables import keep
from tests.simulation.worlds import World, drawn

MONTH = "2025-12"
STRANGE_SHARE = 0.04
STRAIGHT = 0.94
"""How often a cause that lies behind a hand-over alone is led on towards it at a step."""


class HandedOver(NamedTuple):
    """A job as recorded in both procedures, the identity of the cause that the second one proved, and how."""

    first: str
    second: str
    results: tuple[CaseResult, ...]
    cause: str
    proof: Proof | None


@cache
def ways(procedure: str) -> dict[str, tuple[CaseResult, ...]]:
    """The shortest way to each step of a procedure."""
    flow = SHELF[procedure]
    found: dict[str, tuple[CaseResult, ...]] = {flow.start: ()}
    pending = [flow.start]
    while pending:
        here = pending.pop(0)
        for outcome in flow.step_by_key[here].outcomes:
            if outcome.go.kind is GoKind.STEP and outcome.go.key not in found:
                found[outcome.go.key] = (*found[here], CaseResult(procedure, here, outcome.key))
                pending.append(outcome.go.key)
    return found


def ends(flow: Flow, kind: GoKind) -> Iterator[tuple[tuple[CaseResult, ...], Outcome]]:
    """Every end of a kind with the shortest way to it."""
    for step, way in ways(flow.procedure).items():
        for outcome in flow.step_by_key[step].outcomes:
            if outcome.go.kind is kind:
                yield (*way, CaseResult(flow.procedure, step, outcome.key)), outcome


def can_be(flow: Flow, way: Sequence[CaseResult], cause: str) -> bool:
    """Whether the circuit of a procedure leaves each of these answers possible under a cause that it lists.

    The shortest way to a proof need not be one that any fault takes: a relay with burnt contacts does not keep a fan
    still whose relay is bridged.
    """
    predicted = predictions(flow)
    listed = next((each.key for each in flow.causes if each.identity == cause), "")
    for result in way:
        if listed and result.procedure == flow.procedure and result.step in predicted.rows:
            step = flow.step_by_key[result.step]
            shares = outcome_shares(predicted, step, listed)
            place = [outcome.key for outcome in step.outcomes].index(result.outcome)
            if len(shares) and shares[place] < POSSIBLE:
                return False
    return True


POSSIBLE = 0.01


def handed_over_jobs() -> Iterator[HandedOver]:
    """Every hand-over to a shipped procedure with every end of that procedure that its circuit allows."""
    for flow in SHELF.values():
        for before, hand_over in ends(flow, GoKind.HAND_OVER):
            second = SHELF.get(hand_over.go.key)
            for after, end in ends(second, GoKind.CAUSE) if second else ():
                cause = second.cause_by_key[end.go.key].identity
                if not (can_be(second, after, cause) and can_be(flow, before, cause)):
                    continue
                yield HandedOver(flow.procedure, second.procedure, (*before, *after), cause, end.proof)


def models(cases: tuple[ClosedCase, ...] = ()) -> dict[str, CauseModel]:
    """What is learned of every shipped procedure from these jobs."""
    tallies = merge(contributions(case) for case in cases)
    minutes = {key: state.minutes for key, state in CATALOG.access.items()}
    return {
        key: learn(
            count(flow, tallies, as_of=MONTH, half_life=None, behind=causes_behind(flow, SHELF)), access_minutes=minutes
        )
        for key, flow in SHELF.items()
    }


def followed(learned: dict[str, CauseModel], *procedures: str) -> CauseModel:
    """One model for a job that followed these procedures."""
    return joined([
        FollowedProcedure(key, learned[key], reached_from(handed_over_to(SHELF[key]), SHELF)) for key in procedures
    ])  # fmt: skip


def probability(learned: dict[str, CauseModel], job: HandedOver) -> float:
    """What is believed of the cause that the second procedure proved."""
    model = followed(learned, job.first, job.second)
    return float(posterior(model, job.results)[model.column_of[job.cause]])


def looks_elsewhere(learned: dict[str, CauseModel], job: HandedOver) -> str:
    """The advice after a proof, where it repairs a cause a twentieth as likely, or tests although every other cause
    is; else empty. A chain of tests for a likelier cause may begin with one that says nothing by itself."""
    model = followed(learned, job.first, job.second)
    belief, proven = posterior(model, job.results), model.column_of[job.cause]
    advice = advise(model, job.results, prices=Prices(prove_first=True))
    if advice.repair is not None:
        best = max((belief[model.column_of[cause]] for cause in advice.repair.causes), default=0.0)
        return advice.repair.correction if best < belief[proven] / 20 else ""
    others = np.delete(belief, proven)
    return advice.test.title if advice.test is not None and np.all(others <= belief[proven] / 20) else ""


def shop(seed: int, jobs: int) -> tuple[ClosedCase, ...]:
    """Jobs of all shipped procedures; where a way ends in a hand-over, the job goes on in the other procedure."""
    rng = np.random.default_rng([seed, 41])
    worlds = _worlds(rng)
    starts = [key for key, flow in SHELF.items() if flow.symptoms]
    return tuple(_job(rng, worlds, starts[rng.integers(len(starts))], number) for number in range(jobs))


def worlds_of(seed: int) -> dict[str, World]:
    """The truths that the jobs of :func:`shop` are drawn from."""
    return _worlds(np.random.default_rng([seed, 41]))


def _worlds(rng: np.random.Generator) -> dict[str, World]:
    return {key: drawn(rng, flow, strange=STRANGE_SHARE, platforms=("curlew/a1",)) for key, flow in SHELF.items()}


def true_probability(worlds: dict[str, World], job: HandedOver) -> float:
    """What somebody who knew the truth that the jobs of :func:`shop` are drawn from would believe of the cause: every
    cause that such a job may have, times the chance of each answer with it, by enumeration."""
    beyond = sorted(handed_over_to(SHELF[job.first]) & set(SHELF))
    here, share = worlds[job.first], len(beyond) / (len(SHELF[job.first].causes) + len(beyond))
    prior: dict[str, float] = {}
    for world, weight in [(here, 1 - share), *((worlds[key], share / len(beyond)) for key in beyond)]:
        for cause, chance in zip(world.causes, world.prior["curlew/a1"], strict=True):
            prior[cause] = prior.get(cause, 0.0) + weight * float(chance)
    weights = {cause: chance * _chance_of(worlds, job.results, cause) for cause, chance in prior.items()}
    return weights.get(job.cause, 0.0) / sum(weights.values())


def _chance_of(worlds: dict[str, World], results: Sequence[CaseResult], cause: str) -> float:
    """Of these answers, as :func:`_way` draws them."""
    chance = 1.0
    for result in results:
        world = worlds[result.procedure]
        right = [one.key for one in _led(result.procedure, cause).get(result.step, [])]
        place = [one.key for one in world.flow.step_by_key[result.step].outcomes].index(result.outcome)
        drawn_so = float(world.table[result.step][place, _column(world, cause)])
        led = STRAIGHT * (result.outcome in right) / len(right) + (1 - STRAIGHT) * drawn_so if right else drawn_so
        chance *= led
    return chance


def _job(rng: np.random.Generator, worlds: dict[str, World], start: str, number: int) -> ClosedCase:
    """The cause is one of the first procedure's, or lies behind one of its hand-overs: as often as one of its causes
    for each of them."""
    beyond = sorted(handed_over_to(SHELF[start]) & set(SHELF))
    here, share = worlds[start], len(beyond) / (len(SHELF[start].causes) + len(beyond))
    if beyond and rng.random() < share:
        away = worlds[beyond[rng.integers(len(beyond))]]
        cause = away.causes[rng.choice(len(away.causes), p=away.prior["curlew/a1"])]
    else:
        cause = here.causes[rng.choice(len(here.causes), p=here.prior["curlew/a1"])]
    results: list[CaseResult] = []
    key, proof = start, None
    while key and len({result.procedure for result in results}) < 4:
        way, end = _way(rng, worlds[key], cause)
        results += way
        proof = end.proof if end.go.kind is GoKind.CAUSE else None
        seen = {result.procedure for result in results}
        key = end.go.key if end.go.kind is GoKind.HAND_OVER and end.go.key in SHELF and end.go.key not in seen else ""
    told = cause if proof is not None else ""
    month = f"{2022 + number % 48 // 12:04d}-{number % 12 + 1:02d}"
    return ClosedCase(number, "curlew/a1", month, told, proof or "", told, results=tuple(results))


def _way(rng: np.random.Generator, world: World, cause: str) -> tuple[list[CaseResult], Outcome]:
    """A cause that the procedure does not list is led to its hand-overs, but for errors, where it lies behind one."""
    towards, column = _led(world.flow.procedure, cause), _column(world, cause)
    results: list[CaseResult] = []
    key = world.flow.start
    while True:
        right = towards.get(key, [])
        led = bool(right) and rng.random() < STRAIGHT
        outcome = right[rng.integers(len(right))] if led else world.outcome(rng, key, column)
        results.append(CaseResult(world.flow.procedure, key, outcome.key, seconds=300))
        if outcome.go.kind is not GoKind.STEP:
            return results, outcome
        key = outcome.go.key


def _column(world: World, cause: str) -> int:
    return world.causes.index(cause) if cause in world.causes else len(world.causes) - 1


@cache
def _led(procedure: str, cause: str) -> dict[str, list[Outcome]]:
    """By step the outcomes that a cause is led to which lies behind a hand-over of the procedure alone."""
    flow = SHELF[procedure]
    if any(one.identity == cause for one in flow.causes):
        return {}
    beyond = {
        target for target in handed_over_to(flow)
        for key in reached_from([target], SHELF)
        if any(one.identity == cause for one in SHELF[key].causes)
    }  # fmt: skip
    return _towards(flow, beyond)


def _towards(flow: Flow, procedures: set[str]) -> dict[str, list[Outcome]]:
    """By step: the outcomes from which one of these procedures can still be handed over to."""
    found: dict[str, list[Outcome]] = {}
    changed = True
    while changed:
        changed = False
        for step in flow.steps:
            right = [
                one for one in step.outcomes
                if (one.go.kind is GoKind.HAND_OVER and one.go.key in procedures)
                or (one.go.kind is GoKind.STEP and found.get(one.go.key))
            ]  # fmt: skip
            if len(right) > len(found.get(step.key, [])):
                found[step.key], changed = right, True
    return found


def _beside(said: Array, true: Array | None) -> str:
    """Cells: what is believed, beside what is believed by whoever knows the truth."""
    low = said < 0.3
    if true is None:
        return f"{said.mean():.2f} | | {low.mean():.1%} | | | |"
    of_low = [f"{true[low].mean():.2f}" if low.any() else ""]
    of_low += [f"{int(found.sum())} of {int(low.sum())}" for found in (true[low] < 0.3, true[low] > 0.7)]
    means = f"{said.mean():.2f} | {true.mean():.2f} | {low.mean():.1%} | {(true < 0.3).mean():.1%}"
    return f"{means} | {' | '.join(of_low)}"


def main() -> None:
    lines = [
        "What is believed of the cause that the second procedure of a job proved, after an error-free way through "
        "both: every hand-over of the shipped procedures, every end of the procedure handed over to. Truth known: what "
        "somebody would believe who knew what the closed jobs are drawn from, by enumeration. Tests err in 1 to 12 of "
        "100 there, so a proof is often weak: a belief that never fell under 0.3 would be untrue.", "",
        "| shop | jobs handed over | mean | truth known | under 0.3 | truth known | of those under 0.3: truth known, "
        "mean | of them under 0.3 by it | over 0.7 by it | advice that looks elsewhere after a proof |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]  # fmt: skip
    jobs = list(handed_over_jobs())
    shops = {f"{n:,} jobs, truth {seed}": (seed, n) for n in (300, 3000) for seed in (1, 2, 3)}
    for name, drawn_from in {"fresh": None, **shops}.items():
        learned = models(shop(*drawn_from) if drawn_from else ())
        worlds = worlds_of(drawn_from[0]) if drawn_from else None
        true = np.array([true_probability(worlds, job) for job in jobs]) if worlds else None
        said = np.array([probability(learned, job) for job in jobs])
        proven = [job for job in jobs if job.proof not in (None, Proof.ELIMINATION)]
        astray = sum(bool(looks_elsewhere(learned, job)) for job in proven)
        lines.append(f"| {name} | {len(jobs)} | {_beside(said, true)} | {astray} of {len(proven)} |")
    table = "\n".join(lines)
    print(table)
    keep("hand-overs", table)
