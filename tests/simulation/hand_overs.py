"""Jobs that are handed over: what is believed of the cause that the second procedure proves?

Long form: ``python -m tests.simulation hand-overs`` (some minutes). For every hand-over of the shipped procedures and
every cause that the procedure handed over to names: the shortest way to the hand-over, then the shortest way to that
end, without an error. A fresh shop knows what the writers say; an old one has closed jobs, drawn from truths that the
tool has not seen: on some, the cause lies behind a hand-over.
"""

from __future__ import annotations

from collections.abc import Iterator
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
from shopkb.core.flow.hand_overs import causes_behind, handed_over_to, reached_from
from shopkb.core.flow.model import Flow, GoKind, Outcome, Proof
from tests.shelf import CATALOG, SHELF
from tests.simulation.tables import keep
from tests.simulation.worlds import World, drawn

MONTH = "2025-12"
STRANGE_SHARE = 0.04


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


def handed_over_jobs() -> Iterator[HandedOver]:
    """Every hand-over to a shipped procedure with every end of that procedure."""
    for flow in SHELF.values():
        for before, hand_over in ends(flow, GoKind.HAND_OVER):
            second = SHELF.get(hand_over.go.key)
            for after, end in ends(second, GoKind.CAUSE) if second else ():
                cause = second.cause_by_key[end.go.key].identity
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
    worlds = {key: drawn(rng, flow, strange=STRANGE_SHARE, platforms=("curlew/a1",)) for key, flow in SHELF.items()}
    starts = [key for key, flow in SHELF.items() if flow.symptoms]
    return tuple(_job(rng, worlds, starts[rng.integers(len(starts))], number) for number in range(jobs))


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
    beyond = {
        target for target in handed_over_to(world.flow)
        for key in reached_from([target], SHELF)
        if any(one.identity == cause for one in SHELF[key].causes)
    }  # fmt: skip
    column = world.causes.index(cause) if cause in world.causes else len(world.causes) - 1
    towards = _towards(world.flow, beyond) if cause not in world.causes[:-1] else {}
    results: list[CaseResult] = []
    key = world.flow.start
    while True:
        right = towards.get(key, [])
        outcome = right[rng.integers(len(right))] if right and rng.random() > 0.06 else world.outcome(rng, key, column)
        results.append(CaseResult(world.flow.procedure, key, outcome.key, seconds=300))
        if outcome.go.kind is not GoKind.STEP:
            return results, outcome
        key = outcome.go.key


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


def main() -> None:
    lines = [
        "What is believed of the cause that the second procedure of a job proved, after an error-free way through "
        "both: every hand-over of the shipped procedures, every end of the procedure handed over to.", "",
        "| shop | jobs handed over | mean | least | under 0.3 | advice that looks elsewhere after a proof |",
        "| --- | ---: | ---: | ---: | ---: | ---: |",
    ]  # fmt: skip
    jobs = list(handed_over_jobs())
    shops = {f"{n:,} jobs, truth {seed}": (seed, n) for n in (300, 3000) for seed in (1, 2, 3)}
    for name, drawn_from in {"fresh": None, **shops}.items():
        learned = models(shop(*drawn_from) if drawn_from else ())
        said = np.array([probability(learned, job) for job in jobs])
        proven = [job for job in jobs if job.proof not in (None, Proof.ELIMINATION)]
        astray = sum(bool(looks_elsewhere(learned, job)) for job in proven)
        lines.append(
            f"| {name} | {len(jobs)} | {said.mean():.2f} | {said.min():.2f} | {(said < 0.3).mean():.1%} | "
            f"{astray} of {len(proven)} |"
        )
    table = "\n".join(lines)
    print(table)
    keep("hand-overs", table)
