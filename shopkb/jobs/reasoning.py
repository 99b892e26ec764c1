"""What is still possible on an open job, and the most telling next test, from everything recorded in all its runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.core.cache import cache
from django.utils import timezone

from shopkb.catalog.facts import facts
from shopkb.core.diagnosis.advice.next_action import Advice, advise
from shopkb.core.diagnosis.belief.cause_model import joined
from shopkb.core.diagnosis.belief.posterior import Possible, explained
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.flow.checks.catalog_view import Catalog
from shopkb.core.flow.checks.step_hazards import steps_made_safe
from shopkb.core.flow.model import Flow
from shopkb.core.flow.paths import next_steps
from shopkb.core.flow.walk import Walk
from shopkb.evidence.learned_procedure import learned_procedure, prices
from shopkb.jobs.actions.closing import ruled_out
from shopkb.jobs.models import Job
from shopkb.jobs.run_state import RunState, run_states_of

MOST_SHOWN = 5
LEAST = 0.01
FACTS_SECONDS = 60
"""How long the catalog is remembered for advice; the checks of a publication always read it afresh."""


@dataclass(frozen=True)
class Reasoning:
    """What the tool says of its own accord about an open job.

    ``likeliest`` holds the likeliest causes, ``tried`` those that were repaired without a cure (their probability is
    the chance that the repair itself failed), ``rest`` the probability of all others together.
    """

    possible: tuple[Possible, ...]
    likeliest: tuple[Possible, ...]
    tried: tuple[Possible, ...]
    rest: float
    advice: Advice
    jobs: int

    def probability_by_cause(self, flow: Flow) -> dict[str, float]:
        """Probability by the flow's own cause keys, for its chart."""
        by_identity = {row.cause: row.probability for row in self.possible}
        return {cause.key: by_identity[cause.identity] for cause in flow.causes if cause.identity in by_identity}


def reason_about(job: Job, *, at: datetime) -> Reasoning | None:
    """As :func:`reason`, reading the job's runs first."""
    return reason(job, run_states_of(job), at=at)


def reason(job: Job, runs: Sequence[RunState], *, at: datetime) -> Reasoning | None:
    """Think over an open job from all its runs, in the order they were started; ``None`` without any."""
    if not runs:
        return None
    month = timezone.localtime(at).strftime("%Y-%m")
    platform = job.platform.path
    learned = [
        learned_procedure(each.flow, each.run.revision.checksum, platform=platform, month=month)
        for each in {each.flow.procedure: each for each in runs}.values()
    ]
    model = joined([each.model for each in learned])
    results: list[CaseResult] = []
    allowed: set[tuple[str, str]] = set()
    catalog = _facts()
    for each in runs:
        procedure = each.flow.procedure
        results += [CaseResult(procedure, row.step, row.outcome, row.skipped) for row in each.effective]
        done = frozenset(row.step for row in each.effective)
        reachable = steps_ahead(each.flow, each.walk)
        allowed |= {(procedure, key) for key in steps_made_safe(each.flow, catalog, done) & reachable}
        allowed -= {(procedure, row.step) for row in each.effective if row.skipped}
    not_cured = [repair.cause.identity for repair in ruled_out(job)]
    possible = explained(model, results, not_cured)
    tried = tuple(row for row in possible if row.repaired)
    likeliest = tuple([row for row in possible if row.probability >= LEAST and not row.repaired][:MOST_SHOWN])
    return Reasoning(
        possible=possible,
        likeliest=likeliest,
        tried=tried,
        rest=max(0.0, 1.0 - sum(row.probability for row in (*likeliest, *tried))),
        advice=advise(model, results, not_cured, prices=prices(), allowed=allowed),
        jobs=sum(each.verified_jobs for each in learned),
    )


def steps_ahead(flow: Flow, walk: Walk) -> frozenset[str]:
    """Steps that can still come on the written way; all of them once it has come to an end.

    A step off the route taken may presuppose an answer that was not given.
    """
    if not walk.current:
        return frozenset(flow.step_by_key)
    found, pending = {walk.current}, [walk.current]
    while pending:
        for key in next_steps(flow, pending.pop()):
            if key not in found:
                found.add(key)
                pending.append(key)
    return frozenset(found)


def _facts() -> Catalog:
    cached = cache.get("catalog-facts")
    if cached is None:
        cached = facts()
        cache.set("catalog-facts", cached, FACTS_SECONDS)
    return cached  # type: ignore[no-any-return]
