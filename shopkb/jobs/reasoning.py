"""What is still possible on an open job, and the most telling next test, from everything recorded in all its runs."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from hashlib import sha256
from typing import NamedTuple, cast

import numpy as np
from django.conf import settings
from django.core.cache import cache
from django.db.models import Count
from django.utils import timezone

from shopkb.catalog.facts import remembered_facts
from shopkb.core.diagnosis.advice.exploring import chosen_by_chance, near_equals
from shopkb.core.diagnosis.advice.next_action import Advice, TestOption, advise
from shopkb.core.diagnosis.advice.proposal import ActionProposal, kept_to_proof, propose
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.comeback import after_comeback
from shopkb.core.diagnosis.belief.joined import FollowedProcedure, joined
from shopkb.core.diagnosis.belief.posterior import Possible, explained
from shopkb.core.diagnosis.belief.reading_likelihoods import with_readings
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.flow.checks.step_hazards import steps_as_safe, steps_made_safe
from shopkb.core.flow.hand_overs import causes_behind, handed_over_to, reached_from
from shopkb.core.flow.model import Flow, GoKind, Step
from shopkb.core.flow.paths import next_steps
from shopkb.core.flow.walk import Walk
from shopkb.evidence.learned_procedure import LearnedProcedure, learned_procedure, prices
from shopkb.jobs.actions.closing import in_vain
from shopkb.jobs.comebacks import CameBack, came_back
from shopkb.jobs.models import Job, Repair, Run
from shopkb.jobs.run_state import RunState
from shopkb.procedures.hand_overs import FlowsInForce, InForce, revisions_in_force

MOST_SHOWN = 5
LEAST = 0.01
FACTS_SECONDS = 60
"""How long the catalog, and which revisions are in force, are cached for advice; the checks of a publication always
read them afresh. In Django's cache, not in :mod:`shopkb.evidence.cache`, since the catalog has no stamp that says when
it changed."""


class JobRecord(NamedTuple):
    """What an open job is reasoned from: ``allowed`` are the (procedure, step) that may be advised."""

    model: CauseModel
    results: tuple[CaseResult, ...]
    not_cured: tuple[str, ...]
    allowed: frozenset[tuple[str, str]]


@dataclass(frozen=True)
class Reasoning:
    """What the tool says of its own accord about an open job.

    ``likeliest`` holds the likeliest causes, ``tried`` those that were repaired without a cure (their probability is
    the chance that the repair itself failed), ``rest`` the probability of all others together. ``record`` is what all
    of it was reasoned from. ``written`` is the next step of the procedure that was opened last and is under way,
    ``written_in`` its key; there is none once a written way has come to a cause that was not repaired in vain.
    ``last_repair`` is the repair recorded last, its verifications loaded. ``earlier`` is the job that this one came
    back from.
    """

    possible: tuple[Possible, ...]
    likeliest: tuple[Possible, ...]
    tried: tuple[Possible, ...]
    rest: float
    advice: Advice
    jobs: int
    record: JobRecord
    written_in: str = ""
    written: Step | None = None
    last_repair: Repair | None = None
    earlier: CameBack | None = None

    @cached_property
    def next_words(self) -> str:
        """The next action in one sentence: the written next step, unless something is surely quicker."""
        if self.written is not None and self.goes_on_as_written:
            return f"{self.written.title}, the next step as written."
        return self.advice.words

    @cached_property
    def goes_on_as_written(self) -> bool:
        """Whether the written next step comes next."""
        return self.written is not None and self.proposal(self.written_in, self.written.key) is None

    def proposal(self, procedure: str, step: str) -> ActionProposal | None:
        """What is surely quicker than the written next step, if anything."""
        at = self.record
        return propose(
            at.model, at.results, at.not_cured, self.advice, (procedure, step), prices=prices(), allowed=at.allowed
        )

    def chosen_by_chance(self, state: RunState) -> TestOption | None:
        """A test that chance puts before the written next step of this run, now and then, among near equals that are no
        more dangerous. The same run at the same place gives the same answer."""
        if self.written is None or self.written_in != state.flow.procedure or state.walk.current != self.written.key:
            return None
        place = f"{state.run.client_id} {self.written.key} {len(state.effective)}"
        random = np.random.default_rng(int.from_bytes(sha256(place.encode()).digest()[:8]))
        if random.random() >= settings.CHANCE_PERCENT / 100 or self.proposal(self.written_in, self.written.key):
            return None
        safe = steps_as_safe(state.flow, remembered_facts(), self.written)
        equals = near_equals(self.advice, (self.written_in, self.written.key), safe)
        at = self.record
        if equals is None:
            return None
        return chosen_by_chance(at.model, at.results, at.not_cured, equals, random, prices=prices(), allowed=at.allowed)

    def probability_by_cause(self, flow: Flow) -> dict[str, float]:
        """Probability by the flow's own cause keys, for its chart."""
        by_identity = {row.cause: row.probability for row in self.possible}
        return {cause.key: by_identity[cause.identity] for cause in flow.causes if cause.identity in by_identity}


def reason(job: Job, runs: Sequence[RunState], *, at: datetime) -> Reasoning | None:
    """Think over an open job from all its runs; ``None`` without any. The order of the runs does not matter."""
    if not runs:
        return None
    learned, model = _learned(job, {each.flow.procedure: each for each in runs}, at)
    counted = [each for each in runs if each.flow.procedure in learned]
    explained_away = {finding.result_id for finding in job.standing_findings if finding.settled is not None}
    results = tuple(
        CaseResult(each.flow.procedure, row.step, row.outcome, row.skipped, reading=row.reading, unit=row.unit)
        for each in counted
        for row in each.effective
        if row.pk not in explained_away  # another fault made it so
    )
    for procedure, flow in {each.flow.procedure: each.flow for each in counted}.items():  # once, however often begun
        fitted = learned[procedure].readings
        if fitted is None or fitted:  # else closed jobs say that bands forecast better
            model = with_readings(model, flow, results, fitted or {})
    earlier = came_back(job)
    if earlier is not None:
        model = after_comeback(model, earlier.earlier, results)
    repairs = list(job.repairs.select_related("cause__component").prefetch_related("verifications").order_by("pk"))
    not_cured = tuple(repair.cause.identity for repair in in_vain(repairs))
    allowed = _allowed(counted, explained_away)
    going_on = [each for each in runs if each.walk.current and each.run.state == Run.State.UNDER_WAY]
    advice = advise(model, results, not_cured, prices=prices(), allowed=allowed)
    proven = frozenset(cause for each in counted for cause in _named(each)).difference(not_cured)
    under_way = None if proven else max(going_on, key=lambda each: each.run.pk, default=None)
    possible = explained(model, results, not_cured)
    tried = tuple(row for row in possible if row.repaired)
    likeliest = tuple([row for row in possible if row.probability >= LEAST and not row.repaired][:MOST_SHOWN])
    return Reasoning(
        possible=possible,
        likeliest=likeliest,
        tried=tried,
        rest=max(0.0, 1.0 - sum(row.probability for row in (*likeliest, *tried))),
        advice=kept_to_proof(model, results, not_cured, advice, proven, prices=prices(), allowed=allowed),
        jobs=sum(each.verified_jobs for each in learned.values()),
        record=JobRecord(model, results, not_cured, allowed),
        written_in=under_way.flow.procedure if under_way else "",
        written=under_way.flow.step_by_key[under_way.walk.current] if under_way else None,
        last_repair=repairs[-1] if repairs else None,
        earlier=earlier,
    )


def _learned(job: Job, states: Mapping[str, RunState], at: datetime) -> tuple[dict[str, LearnedProcedure], CauseModel]:
    """What is learned of each procedure that the belief rests on, and one model for all of them."""
    month, in_force = timezone.localtime(at).strftime("%Y-%m"), _flows_in_force()
    ahead = {key: reached_from(handed_over_to(state.flow), in_force) for key, state in states.items()}
    learned = {
        key: learned_procedure(
            states[key].flow,
            states[key].run.revision.checksum,
            behind=causes_behind(states[key].flow, in_force),
            platform=job.platform.path,
            month=month,
        )
        for key in _followed(states, ahead)
    }
    weights = _starts(job, [key for key in learned if not any(key in ahead[one] for one in learned)])
    followed = [FollowedProcedure(key, one.model, ahead[key], weights.get(key, 1)) for key, one in learned.items()]
    return learned, joined(followed)


def _followed(states: Mapping[str, RunState], ahead: Mapping[str, frozenset[str]]) -> list[str]:
    """The procedures that the belief rests on: those with something recorded, and those opened that one of them hands
    over to. One that was opened by mistake is none. Where nothing is recorded yet, the one opened last."""
    recorded = {key for key, state in states.items() if state.effective}
    if not recorded:
        return [max(states, key=lambda key: states[key].run.pk)]
    return [key for key in states if key in recorded or any(key in ahead[one] for one in recorded)]


def _starts(job: Job, procedures: Sequence[str]) -> dict[str, int]:
    """How often jobs with this complaint on this platform followed each of several procedures that do not hand over to
    each other, one more than counted. No query for one."""
    if len(procedures) < 2:
        return {}
    runs = Run.objects.filter(
        job__symptom=job.symptom_id, job__platform=job.platform_id, job__closed_at__isnull=False,
        revision__procedure__key__in=procedures,
    )  # fmt: skip
    jobs = runs.order_by().values_list("revision__procedure__key").annotate(Count("job", distinct=True))
    return {key: count + 1 for key, count in jobs}


def _named(state: RunState) -> tuple[str, ...]:
    """The identity of the cause that the written way has come to, if it has."""
    end = state.walk.end
    cause = state.flow.cause_by_key.get(end.go.key) if end is not None and end.go.kind is GoKind.CAUSE else None
    return (cause.identity,) if cause is not None else ()


def _allowed(runs: Sequence[RunState], explained_away: Container[int | None]) -> frozenset[tuple[str, str]]:
    """The (procedure, step) that may be advised: still ahead, made safe by what was done, not skipped, and not what
    showed another fault, ``explained_away`` since: of the complaint it says nothing more."""
    allowed: set[tuple[str, str]] = set()
    catalog = remembered_facts()
    for each in runs:
        procedure, done = each.flow.procedure, frozenset(row.step for row in each.effective)
        reachable = steps_ahead(each.flow, each.walk)
        allowed |= {(procedure, key) for key in steps_made_safe(each.flow, catalog, done) & reachable}
        allowed -= {(procedure, row.step) for row in each.effective if row.skipped or row.pk in explained_away}
    return frozenset(allowed)


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


def _flows_in_force() -> FlowsInForce:
    return FlowsInForce(cast("InForce", cache.get_or_set("revisions-in-force", revisions_in_force, FACTS_SECONDS)))
