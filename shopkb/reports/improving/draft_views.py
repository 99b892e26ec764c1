"""A draft against the shop's own evidence: closed jobs replayed, cost beside the published one, a better order.

The computations are in :mod:`shopkb.core.diagnosis`; these views feed them from the jobs and show them on two pages.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, may, require
from shopkb.catalog.facts import facts
from shopkb.core.diagnosis.appraisal.compare_revisions import Difference, difference
from shopkb.core.diagnosis.appraisal.expected_cost import Appraisal
from shopkb.core.diagnosis.appraisal.order_search import LEAST_SAVED, ROOMS, BetterOrder, OrderSearch, last, search
from shopkb.core.diagnosis.appraisal.replay import (
    Replay,
    ReplayComparison,
    Replayed,
    ReplayEnding,
    compared,
    replay,
    to_read,
)
from shopkb.core.flow.checks.step_hazards import safety_prerequisites
from shopkb.core.flow.comparison.compare import ChangeKind, compare
from shopkb.core.flow.model import Flow, GoKind
from shopkb.core.flow.names import leads_to
from shopkb.evidence.learned_procedure import LearnedProcedure, model_for_orders
from shopkb.jobs.closed_jobs import cases_of_procedure
from shopkb.jobs.models import Job
from shopkb.procedures import publishing
from shopkb.procedures.hand_overs import behind, titles_behind
from shopkb.procedures.learned_today import learned_today, this_month
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.publishing import ActionRefused
from shopkb.procedures.storing import checksum, flow_of
from shopkb.procedures.views.requested import requested_revision
from shopkb.reports.improving.cost_comparison import CostComparison, compare_costs
from shopkb.web.htmx import render_page_or_part, wants_part

SEED = 20260302
"""Seed of the random draws, so that the same question gets the same answer."""
MOST_LISTED = 50
ROUNDS = ROOMS
"""How much room the search for an order has: at first, then while the page is being read, at most."""


@dataclass(frozen=True, slots=True)
class ReplayedJob:
    """A job for the list: where the old revision and the draft end with it."""

    job: Job | None
    number: int
    month: str
    before: str
    after: str
    ended: str


@dataclass(frozen=True)
class Replays:
    """The draft and the published revision over the same closed jobs."""

    draft: Replay
    old: Replay | None
    test: ReplayComparison | None
    differing: Sequence[ReplayedJob]
    elsewhere: Sequence[ReplayedJob]


@dataclass(frozen=True, slots=True)
class OrderDraft:
    """An order for the table: its checksum, what the procedure costs now and what it would cost."""

    order: str
    now: Appraisal
    then: Appraisal
    advised: bool

    @property
    def saves(self) -> float:
        """Expected minutes saved."""
        return self.now.minutes - self.then.minutes

    @property
    def points(self) -> float:
        """Change of the chance of a right end, in points of 100."""
        return 100 * (self.then.right - self.now.right)


@require_safe
def replay_page(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """What this revision would have done with the readings of closed jobs, and what may be concluded.

    What it costs beside the published one takes longer to work out: ``?part=beside`` asks for it, the page by itself.
    """
    require(request.user, Right.WRITE)
    revision = requested_revision(key, number)
    published = _published(revision)
    other = published if published is not None and published.pk != revision.pk else None
    wanted = request.GET.get("part") == "beside"
    context = {"revision": revision, "flow": flow_of(revision), "other": other, "section": "procedures"}
    try:
        if wanted:
            context["beside"] = _beside(revision, other)
        if wants_part(request) and wanted:
            return render(request, "reports/_beside.html", context)
        context |= _replayed(revision, published)
    except ValueError as error:
        context["reason"] = str(error)
    return render(request, "reports/replay.html", context)


def _replayed(revision: Revision, published: Revision | None) -> dict[str, object]:
    found = replays(revision, published)
    endings = [
        (kind.value, len(found.draft.of(kind)), len(found.old.of(kind)) if found.old else 0) for kind in ReplayEnding
    ]
    return {"found": found, "endings": endings}


def _beside(revision: Revision, published: Revision | None) -> CostComparison:
    """Raises ValueError: one of the two has no first step, or a loop."""
    new = flow_of(revision), _learned(flow_of(revision), revision).model
    if published is None:
        return compare_costs(new, None, np.random.default_rng(SEED))
    old = flow_of(published), _learned(flow_of(published), published).model
    return compare_costs(new, old, np.random.default_rng(SEED))


@require_safe
def order_page(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """The same tests in orders that cost fewer expected minutes, and how sure that is of the one that is shown.

    The page comes at once with what the first round found and asks for more by itself, until no order is left out or
    the limit is reached; each answer stands on its own. ``?order=`` shows another of the proposals. How sure the saving
    is takes longer to work out: ``?part=sure`` asks for it, the page by itself.
    """
    if not may(request.user, Right.WRITE):
        require(request.user, Right.REPORT)
    revision = requested_revision(key, number)
    flow = flow_of(revision)
    place = _round(request.GET.get("round", ""))
    context = {"revision": revision, "flow": flow, "section": "procedures", "round": place, "rounds": len(ROUNDS)}
    sure = request.GET.get("part") == "sure"
    try:
        context |= _order(revision, flow, place, request.GET.get("order", ""), sure=sure)
    except ValueError as error:
        context["reason"] = str(error)
    part = "reports/_sure.html" if sure else "reports/_order.html"
    return render_page_or_part(request, "reports/better_order.html", part, context)


def _order(revision: Revision, flow: Flow, place: int, wanted: str, *, sure: bool) -> dict[str, object]:
    """What the page says after so many rounds."""
    found = _searched(revision, place)
    better = _wanted(found, wanted)
    now = _of(flow)
    told = [OrderDraft(checksum(one.flow), now, _of(one.flow), one is found.best) for one in found.proposals]
    said: dict[str, object] = {
        "found": found,
        "held": [flow.step_by_key[key].title for key in found.held],
        "better": better,
        "wanted": wanted,
        "now": now,
        "proposals": [one for one in told if one.advised or one.order == wanted or one.saves > LEAST_SAVED],
    }
    if not found.complete and place < len(ROUNDS):
        said["further"] = place + 1
    if better is not None:
        said |= {"order": checksum(better.flow), "then": _of(better.flow)}
        if sure:
            said["difference"] = _spread(flow, better.flow, revision)
        said["moves"] = _moves(flow, better)
    return said


def _moves(flow: Flow, better: BetterOrder) -> list[tuple[str, list[str], float]]:
    """What changes places: its title, the titles of what it passes, and the minutes that this saves."""
    told, before = [], flow
    for one in better.moves:
        titles = [flow.step_by_key[key].title for key in one.passed]
        told.append((flow.step_by_key[one.later].title, titles, _of(before).minutes - _of(one.flow).minutes))
        before = one.flow
    return told


def _of(flow: Flow) -> Appraisal:
    """What closed jobs say that an order costs, learned of that order.

    Raises:
        ValueError: it cannot be passed through.
    """
    found = learned_today(flow, checksum(flow)).appraisal
    if found is None:
        raise ValueError(f"{flow.title} has no first step, or a loop.")
    return found


def _wanted(found: OrderSearch, wanted: str) -> BetterOrder | None:
    """The proposal asked for, else the best."""
    return next((one for one in found.proposals if checksum(one.flow) == wanted), found.best)


def _round(text: str) -> int:
    """How many rounds to search, 1 unless told."""
    return int(text) if text in {str(one + 1) for one in range(len(ROUNDS))} else 1


@require_POST
def take_order(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """Make the order that was shown a draft: this one, if it is a draft, else a new one."""
    require(request.user, Right.WRITE)
    revision = requested_revision(key, number)
    found = _searched(revision, _round(request.POST.get("round", "")))
    better = next((one for one in found.proposals if checksum(one.flow) == request.POST.get("order")), None)
    try:
        if better is None and revision.may_change and revision.checksum != request.POST.get("based_on"):
            raise ActionRefused(
                "This draft was saved by somebody else since its orders were shown. Look at them again."
            )
        if better is None:
            raise ActionRefused("What closed jobs say has changed since these orders were shown. Look at them again.")
        if revision.may_change:
            publishing.save_draft(revision, better.flow, by=request.user, based_on=request.POST.get("based_on", ""))
        else:
            why = "Same tests in a cheaper order."
            number = publishing.start_draft(better.flow, by=request.user, at=timezone.now(), why=why).number
    except ActionRefused as error:
        messages.error(request, str(error))
        return redirect("reports:order", key, number)
    messages.success(request, "The draft has the new order. Read it through before you ask for a review.")
    return redirect("procedures:desk", key, number)


def replays(revision: Revision, published: Revision | None) -> Replays:
    """Replay the closed jobs of the procedure through the revision and through the published one.

    Raises:
        ValueError: the revision has no first step, or a loop.
    """
    flow = flow_of(revision)
    cases = cases_of_procedure(revision.procedure)
    created = timezone.localtime(revision.created_at).strftime("%Y-%m")
    before = flow_of(published) if published and published.pk != revision.pk else None
    changed = _changed_meaning(before, flow) if before else frozenset()
    draft = replay(
        flow, cases, changed=changed, created=created, model=_learned(flow, revision).model, beyond=_beyond(flow)
    )
    if before is None:
        return Replays(draft, None, None, (), _listed(flow, to_read(draft), {}))
    old = replay(before, cases, created=created, beyond=_beyond(before))
    endings = {one.job: one.ending for one in old.jobs}
    differ = [one for one in draft.jobs if one.ending is not endings[one.job]]
    return Replays(
        draft, old, compared(old, draft), _listed(flow, differ, endings), _listed(flow, to_read(draft), endings)
    )


def _changed_meaning(before: Flow, after: Flow) -> frozenset[tuple[str, str]]:
    """Steps (with an empty outcome) and outcomes whose recorded results no longer speak for what stands there."""
    found = compare(before, after)
    differences = (*found.steps, *found.outcomes)
    return frozenset((one.step, one.outcome) for one in differences if one.change is ChangeKind.MEANING)


def _beyond(flow: Flow) -> dict[str, frozenset[str]]:
    """Causes that the procedures handed over to can prove, by procedure."""
    keys = {outcome.go.key for _step, outcome in flow.branches if outcome.go.kind is GoKind.HAND_OVER}
    rows = Procedure.objects.filter(key__in=keys).with_revision_in_force()
    return {
        row.key: frozenset(cause.identity for cause in flow_of(row.in_force).causes) for row in rows if row.in_force
    }


def _listed(flow: Flow, jobs: Sequence[Replayed], before: dict[int, ReplayEnding]) -> list[ReplayedJob]:
    shown = sorted(jobs, key=lambda one: (one.month, one.job), reverse=True)[:MOST_LISTED]
    rows = Job.objects.select_related("vehicle").in_bulk([one.job for one in shown])
    titles = titles_behind(outcome for _step, outcome in flow.branches)
    return [
        ReplayedJob(
            rows.get(one.job),
            one.job,
            one.month,
            before[one.job].value if one.job in before else "",
            one.ending.value,
            _where(flow, one, titles),
        )
        for one in shown
    ]


def _where(flow: Flow, one: Replayed, titles: Mapping[str, str]) -> str:
    """The step whose reading was never taken, or where the last answer leads, in words."""
    if one.stopped_at:
        return flow.step_by_key[one.stopped_at].title
    step, outcome = one.path[-1]
    return leads_to(flow, flow.step_by_key[step].outcome(outcome).go, titles)


def _learned(flow: Flow, revision: Revision) -> LearnedProcedure:
    return learned_today(flow, revision.checksum)


def _spread(flow: Flow, better: Flow, revision: Revision) -> Difference:
    learned = learned_today(better, checksum(better))
    return difference((flow, _learned(flow, revision).model), (better, learned.model), np.random.default_rng(SEED))


def _searched(revision: Revision, rounds: int) -> OrderSearch:
    flow = flow_of(revision)
    usual, leans = _learned(flow, revision).model, safety_prerequisites(flow, facts())
    model = model_for_orders(flow, this_month(), behind(flow), usual.access_minutes, leans)
    return last(search(flow, model, leans=leans, rooms=ROUNDS[:rounds]))


def _published(revision: Revision) -> Revision | None:
    return revision.procedure.revisions.filter(state=Revision.State.PUBLISHED).select_related("procedure").first()
