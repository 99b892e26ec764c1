"""A draft against the shop's closed jobs: what it would have done with the readings that were recorded.

Step and outcome keys decide. Nothing is said about steps that change the vehicle's state, about minutes, or about jobs
that need a reading never taken, beyond bounds; and the draft was written looking at these jobs, so those closed after
its creation are told apart. Two revisions are compared on the jobs where they differ (Q. McNemar 1947; exact form).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from scipy.special import bdtr

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.counting.closed_case import ClosedCase
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.diagnosis.rates.intervals import NoEvidence, Rate, jeffreys
from shopkb.core.flow.model import Flow, GoKind, Outcome
from shopkb.core.flow.paths import loops


class ReplayEnding(StrEnum):
    """How a replayed job ends."""

    SAME = "reaches the confirmed cause"
    OTHER_END = "reaches another end"
    NEVER_TAKEN = "needs a reading never taken"


@dataclass(frozen=True, slots=True)
class Replayed:
    """One closed job replayed.

    ``path`` holds the (step, outcome) gone through; ``stopped_at`` the step whose reading was never taken. ``end`` is
    how the path ended: ``cause`` (its identity in ``named``), ``hand-over``, ``out`` or ``nowhere``; empty when it
    stopped. ``chance_right`` is 1 or 0 for a path that ended; for one that stopped, the chance of a right end by the
    model's likelihoods given the confirmed cause, ``None`` without a model. ``surely_right`` and ``maybe_right`` say
    what holds whatever the readings never taken would have shown; those that were recorded further on stand.
    """

    job: int
    month: str
    ending: ReplayEnding
    path: tuple[tuple[str, str], ...]
    stopped_at: str
    end: str
    named: str
    chance_right: float | None
    surely_right: bool
    maybe_right: bool


@dataclass(frozen=True, slots=True)
class Replay:
    """All verified jobs of the procedure, replayed.

    ``lost`` counts jobs without a proven cause, which no replay can judge. ``low`` and ``high`` bound the share of
    right ends whatever the readings never taken would have shown, as closely as can be; ``None`` without jobs.
    ``expected`` fills them in by the model. ``right`` is over the jobs that ended. ``since`` repeats it for jobs of the
    month of creation and later.
    """

    jobs: tuple[Replayed, ...]
    lost: int
    low: float | None
    high: float | None
    expected: float | None
    right: Rate | NoEvidence
    since: Rate | NoEvidence

    def of(self, ending: ReplayEnding) -> tuple[Replayed, ...]:
        """The jobs that ended so."""
        return tuple(one for one in self.jobs if one.ending is ending)

    @property
    def words(self) -> str:
        """The conclusion in words."""
        if not self.jobs:
            return "No verified job followed this procedure, so nothing can be replayed."
        same, other, never = (len(self.of(ending)) for ending in ReplayEnding)
        return (
            f"Of {_jobs(len(self.jobs))}: {same} would have reached the same proven cause, {other} another end, "
            f"{never} would have needed a reading never taken. The share of right ends lies between {self.low:.0%} and "
            f"{self.high:.0%}; {_jobs(self.lost)} without a proven cause cannot be judged."
        )


@dataclass(frozen=True, slots=True)
class ReplayComparison:
    """Two revisions on the same jobs, where both end: how often only one was right, and the exact two-sided p."""

    both_end: int
    only_old_right: int
    only_new_right: int
    p: float

    @property
    def words(self) -> str:
        """The conclusion in words."""
        differ = self.only_old_right + self.only_new_right
        if not differ:
            return f"On {_jobs(self.both_end)} where both end, they are right and wrong together."
        counts = f"of {_jobs(differ)} where they differ the draft is right in {self.only_new_right}"
        better = self.only_new_right > self.only_old_right
        known = "better" if better else "worse"
        verdict = f"it is {known} on these jobs" if self.p < 0.05 and differ else "that may be chance"
        return (
            f"{counts[0].upper()}{counts[1:]} and the old one in {self.only_old_right}: {verdict} (p = {self.p:.3f})."
        )


def replay(
    draft: Flow,
    cases: Iterable[ClosedCase],
    *,
    changed: frozenset[tuple[str, str]] = frozenset(),
    created: str = "9999-12",
    model: CauseModel | None = None,
    beyond: Mapping[str, frozenset[str]] = MappingProxyType({}),
) -> Replay:
    """Replay closed jobs that followed ``draft.procedure``. O(jobs x depth).

    ``changed`` holds the (step, outcome) whose meaning is no longer what it was when the jobs were done, with an empty
    outcome for a whole step: their recorded results do not count. ``created`` is the draft's month. ``model`` (of the
    draft) fills in readings never taken. ``beyond`` gives the identities that other procedures can prove: a hand-over
    to one that can prove the confirmed cause is right.

    Raises:
        ValueError: the draft has no first step, or a loop.
    """
    if draft.start not in draft.step_by_key:
        raise ValueError(f"{draft.title or draft.procedure} has no first step, so there is nothing to replay.")
    if found := loops(draft):
        raise ValueError(f"A loop cannot be replayed: {found[0].step} leads back to {found[0].steps[0]}.")
    mine = [case for case in cases if draft.procedure in case.procedures]
    jobs = tuple(_replayed(_Draft(draft, model, beyond), case, changed) for case in mine if case.verified)
    same = sum(one.ending is ReplayEnding.SAME for one in jobs)
    never = sum(one.ending is ReplayEnding.NEVER_TAKEN for one in jobs)
    chances = [one.chance_right for one in jobs if one.chance_right is not None]
    recent = [one for one in jobs if one.month >= created and one.ending is not ReplayEnding.NEVER_TAKEN]
    return Replay(
        jobs=jobs,
        lost=len(mine) - len(jobs),
        low=sum(one.surely_right for one in jobs) / len(jobs) if jobs else None,
        high=sum(one.maybe_right for one in jobs) / len(jobs) if jobs else None,
        expected=sum(chances) / len(jobs) if jobs and len(chances) == len(jobs) else None,
        right=jeffreys(same, len(jobs) - never),
        since=jeffreys(sum(one.ending is ReplayEnding.SAME for one in recent), len(recent)),
    )


def compared(old: Replay, new: Replay) -> ReplayComparison:
    """Two replays of the same jobs. Jobs that either cannot end are left out."""
    before = {one.job: one.ending for one in old.jobs if one.ending is not ReplayEnding.NEVER_TAKEN}
    pairs = [
        (before[one.job] is ReplayEnding.SAME, one.ending is ReplayEnding.SAME)
        for one in new.jobs
        if one.ending is not ReplayEnding.NEVER_TAKEN and one.job in before
    ]
    only_old, only_new = sum(a and not b for a, b in pairs), sum(b and not a for a, b in pairs)
    return ReplayComparison(len(pairs), only_old, only_new, discordant_p(only_old, only_new))


def discordant_p(one: int, other: int) -> float:
    """Exact two-sided p of a discordant pair: Binomial(one + other, 1/2). 1 when nothing differs.

    Raises:
        ValueError: a count is negative.
    """
    if one < 0 or other < 0:
        raise ValueError(f"Counts of jobs are not negative; got {one} and {other}.")
    return min(1.0, 2 * float(bdtr(min(one, other), one + other, 0.5)))


@dataclass(frozen=True, eq=False)
class _Draft:
    flow: Flow
    model: CauseModel | None
    beyond: Mapping[str, frozenset[str]]

    def next_step(self, outcome: Outcome) -> str:
        """The step an outcome leads to; empty at an end."""
        go = outcome.go
        return go.key if go.kind is GoKind.STEP and go.key in self.flow.step_by_key else ""

    def named(self, outcome: Outcome) -> str:
        go = outcome.go
        if go.kind is GoKind.CAUSE and go.key in self.flow.cause_by_key:
            return self.flow.cause_by_key[go.key].identity
        return ""

    def right(self, outcome: Outcome, cause: str) -> bool:
        if outcome.go.kind is GoKind.HAND_OVER:
            return cause in self.beyond.get(outcome.go.key, frozenset())
        return self.named(outcome) == cause

    def taken(self, step: str, recorded: Mapping[str, str]) -> Outcome | None:
        return next((one for one in self.flow.step_by_key[step].outcomes if one.key == recorded.get(step)), None)


def _replayed(draft: _Draft, case: ClosedCase, changed: frozenset[tuple[str, str]]) -> Replayed:
    recorded = _recorded(draft.flow.procedure, case, changed)
    path: list[tuple[str, str]] = []
    key = draft.flow.start
    while True:
        outcome = draft.taken(key, recorded)
        if outcome is None:
            chance = _chance_right(draft, key, case.cause, recorded)
            ends = _ends_right(draft, key, case.cause, recorded)
            return Replayed(
                case.job,
                case.month,
                ReplayEnding.NEVER_TAKEN,
                tuple(path),
                key,
                "",
                "",
                chance,
                False not in ends,
                True in ends,
            )
        path.append((key, outcome.key))
        key = draft.next_step(outcome)
        if not key:
            right = draft.right(outcome, case.cause)
            end = GoKind.NOWHERE if outcome.go.kind is GoKind.STEP else outcome.go.kind
            ending = ReplayEnding.SAME if right else ReplayEnding.OTHER_END
            return Replayed(
                case.job, case.month, ending, tuple(path), "", end, draft.named(outcome), float(right), right, right
            )


def _recorded(procedure: str, case: ClosedCase, changed: frozenset[tuple[str, str]]) -> dict[str, str]:
    """Latest outcome of each step that still means what it did."""
    latest = {result.step: result.outcome for result in case.results if result.procedure == procedure}
    return {
        step: outcome
        for step, outcome in latest.items()
        if outcome and (step, "") not in changed and (step, outcome) not in changed
    }


def _chance_right(draft: _Draft, key: str, cause: str, recorded: Mapping[str, str]) -> float | None:
    """Chance of a right end from a step on: recorded readings stand, others follow the likelihoods."""
    if draft.model is None:
        return None
    model = draft.model
    column = model.column_of.get(cause, model.column_of[OTHER])
    known: dict[str, float] = {}

    def chance(step: str) -> float:
        if step not in known:
            taken, outcomes = draft.taken(step, recorded), draft.flow.step_by_key[step].outcomes
            known[step] = after(taken) if taken else sum(weight(step, one) * after(one) for one in outcomes)
        return known[step]

    def weight(step: str, outcome: Outcome) -> float:
        row = model.row_of.get((draft.flow.procedure, step, outcome.key))
        return float(model.table[row, column]) if row is not None else 1 / len(draft.flow.step_by_key[step].outcomes)

    def after(outcome: Outcome) -> float:
        there = draft.next_step(outcome)
        return chance(there) if there else float(draft.right(outcome, cause))

    return chance(key)


def _ends_right(draft: _Draft, key: str, cause: str, recorded: Mapping[str, str]) -> set[bool]:
    """Whether the ends that can be met from a step on are right: recorded readings stand, others may show anything."""
    ends: set[bool] = set()
    met: set[str] = set()
    ahead = [key]
    while ahead and len(ends) < 2:
        step = ahead.pop()
        if step in met:
            continue
        met.add(step)
        taken = draft.taken(step, recorded)
        outcomes = (taken,) if taken else draft.flow.step_by_key[step].outcomes
        for outcome in outcomes:
            there = draft.next_step(outcome)
            if there:
                ahead.append(there)
            else:
                ends.add(draft.right(outcome, cause))
        if not outcomes:
            ends.add(False)
    return ends


def _jobs(number: int) -> str:
    return "1 job" if number == 1 else f"{number} jobs"


def to_read(found: Replay) -> Sequence[Replayed]:
    """The jobs a writer should read before publishing: those that would have ended elsewhere, newest first."""
    return sorted(found.of(ReplayEnding.OTHER_END), key=lambda one: (one.month, one.job), reverse=True)
