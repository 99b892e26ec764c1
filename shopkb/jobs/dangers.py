"""DANGER is a screen of its own: once a run, and again after a hand-over, a long break, or energising anew."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from shopkb.accounts.models import User
from shopkb.catalog.models import Caution, SafetyKind, Wording
from shopkb.core.flow.checks.standing_cautions import standing_cautions
from shopkb.core.flow.model import Flow, Step, TestKind
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.models import DangerPassed, Result, Run

LONG_BREAK = timedelta(minutes=30)
"""A gap longer than this is a break: a danger is confirmed anew."""
CLOCK_SLACK = timedelta(minutes=1)
"""A clock that went back by more than this counts as a long break: the time that passed is not known."""

ENERGISING = frozenset({TestKind.COMMAND, TestKind.POWER_DIRECTLY})
"""Kinds of test that put current or movement back where it may have been made safe."""


def cautions_in_force(flow: Flow, step: Step, done: Iterable[str]) -> tuple[list[Caution], list[Caution]]:
    """The step's own cautions, danger first, and those that hold still from earlier steps of its set-up state.

    ``done``: steps done in this run. What can only damage something is not repeated. One query, none without cautions.
    """
    standing = standing_cautions(flow, step, done)
    keys = (*step.cautions, *standing)
    rows = by_signal(Caution.objects.filter(key__in=keys)) if keys else []
    own = [row for row in rows if row.key in step.cautions]
    still = [row for row in rows if row.key in standing and row.signal != Caution.Signal.NOTICE]
    return own, still


def shown_before(
    flow: Flow, step: Step, cautions: Sequence[Caution], answered: Sequence[Result], *, by: User, at: datetime
) -> list[Caution]:
    """Those of the step's cautions that this person has worked under in its set-up state, with no long break and nobody
    else since, and in the same words: a line is enough for them. A DANGER is never among them.

    ``answered``: the run's answers that count, in the order they were recorded. One query where there are any.
    """
    here = {other.key for other in flow.steps if other.access == step.access and other.key != step.key}
    done = [row for row in _unbroken(answered, by, at) if row.step in here and not row.skipped]
    since = {key: row.at for row in reversed(done) for key in flow.step_by_key[row.step].cautions}
    known = [row for row in cautions if row.key in since and row.signal != Caution.Signal.DANGER]
    if not known:
        return []
    first = min(since[row.key] for row in known)
    changed = Wording.objects.filter(
        kind=SafetyKind.CAUTION, key__in=[row.key for row in known], since__gt=first, number__gt=1
    ).values_list("key", "since")
    stale = {key for key, when in changed if when > since[key]}
    return [row for row in known if row.key not in stale]


@dataclass(frozen=True, slots=True)
class CautionLine:
    """A caution as one line, its words behind it, and why a line is enough (empty for what can only be damaged)."""

    caution: Caution
    why: str = ""


@dataclass(frozen=True, slots=True)
class CautionsShown:
    """The cautions of a step's page: in whole what can hurt people and is new, and every DANGER; the rest as lines."""

    whole: list[Caution]
    lines: list[CautionLine]


def as_shown(own: Sequence[Caution], still: Sequence[Caution], before: Sequence[Caution] = ()) -> CautionsShown:
    """``own`` and ``still`` as :func:`cautions_in_force` gives them, ``before`` as :func:`shown_before` does."""
    why = {row.key: "still holds" for row in still} | {row.key: "as before" for row in before}
    whole, lines = [], []
    for row in by_signal([*own, *still]):
        reason = why.get(row.key)
        if row.signal == Caution.Signal.DANGER or (reason is None and row.signal != Caution.Signal.NOTICE):
            whole.append(row)
        else:
            lines.append(CautionLine(row, reason or ""))
    return CautionsShown(whole, lines)


def _unbroken(answered: Sequence[Result], by: User, at: datetime) -> list[Result]:
    """The latest answers of this person, back to a long break or to somebody else's answer."""
    found: list[Result] = []
    until = at
    for row in reversed(answered):
        if row.who_id != by.pk or until - row.at > LONG_BREAK or row.at - until > CLOCK_SLACK:
            break
        found.append(row)
        until = row.at
    return found[::-1]


def hurting(steps: Iterable[Step]) -> list[Caution]:
    """The cautions of these steps that are about people, danger first: to see whether a fault is gone is to run the
    vehicle again under the same hazards. One query, none without cautions."""
    keys = {caution for step in steps for caution in step.cautions}
    return by_signal(Caution.objects.filter(key__in=keys).exclude(signal=Caution.Signal.NOTICE)) if keys else []


def by_signal(rows: Iterable[Caution]) -> list[Caution]:
    """Danger first."""
    weight = {signal: position for position, signal in enumerate(Caution.Signal.values)}
    return sorted(rows, key=lambda row: weight[row.signal])


def danger_due(
    run: Run,
    flow: Flow,
    step: Step,
    cautions: Sequence[Caution],
    *,
    by: User,
    at: datetime,
    as_worded: bool = True,
) -> Caution | None:
    """The DANGER to be confirmed before this step is shown, if any, among its own ``cautions``.

    ``as_worded``: one whose words changed since is confirmed again; not so for what was done without the network, under
    the words of then.

    Queries: none without a danger; else one, and one for each danger that the same person confirmed before.
    """
    dangers = [row for row in cautions if row.signal == Caution.Signal.DANGER]
    if not dangers:
        return None
    passed = {row.caution: row for row in run.dangers_passed.order_by("pk")}
    for danger in sorted(dangers, key=lambda row: step.cautions.index(row.key)):
        before = passed.get(danger.key)
        changed = before is not None and as_worded and before.wording != danger.wording
        if before is None or changed or _asked_again(before, flow, by, at):
            return danger
    return None


def _asked_again(before: DangerPassed, flow: Flow, by: User, at: datetime) -> bool:
    """What came after it is told by the event log: clocks may jump, the order in which the server took things does not.

    Answers that were taken back or came too late count too: what they switched on was switched on.
    """
    if before.who_id != by.pk:
        return True
    events = before.run.events
    passed = events.filter(kind=Kind.DANGER, record=before.pk).values("number")
    answered = events.filter(kind=Kind.RESULT, number__gt=passed[:1]).values("record")
    since = list(before.run.results.filter(pk__in=answered).order_by("pk"))
    moments = [before.at, *(row.at for row in since), at]
    if any(not -CLOCK_SLACK <= later - earlier <= LONG_BREAK for earlier, later in pairwise(moments)):
        return True
    return any(row.step in flow.step_by_key and flow.step_by_key[row.step].test in ENERGISING for row in since)
