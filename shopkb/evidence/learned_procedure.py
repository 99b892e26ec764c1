"""What closed jobs teach about one procedure on one platform, cached until its tallies change.

One query tells whether anything changed, the minutes of set-up states included. What a closing in this process changed
is added to the counts at hand, so that the cost grows with the flow and not with the jobs closed; only when nothing is
cached are all tallies of the procedure read and counted, with two queries more. Readings are fitted at night, together
with the strengths; once there was such a fit they are one query more.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple, TypeVar

from django.conf import settings
from django.db.models import Subquery

from shopkb.catalog.models import Access
from shopkb.charts.branch_notes import BranchNote
from shopkb.core.diagnosis.advice.repairs import Prices
from shopkb.core.diagnosis.appraisal.expected_cost import Appraisal, appraise
from shopkb.core.diagnosis.appraisal.order_search import widened
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.belief.reading_densities import StepDensities
from shopkb.core.diagnosis.belief.recalibration import NO_RECALIBRATION, Recalibration
from shopkb.core.diagnosis.counting.branch_success import BranchEvidence, branch_evidence, differing_platforms
from shopkb.core.diagnosis.counting.flow_counts import FlowCounts, count
from shopkb.core.diagnosis.counting.tallies import Tallies, TallyKey, TallySums
from shopkb.core.diagnosis.counting.updated_counts import updated_counts, with_platforms
from shopkb.core.diagnosis.rates.hierarchical import PooledRate
from shopkb.core.flow.hand_overs import HandOverCauses
from shopkb.core.flow.model import Flow
from shopkb.core.flow.paths import loops
from shopkb.evidence.cache import Cache, TallyCache
from shopkb.evidence.learning import KEY_FIELDS, SUM_FIELDS, stamp_of
from shopkb.evidence.models import ReadingFit, StrengthFit, Tally
from shopkb.evidence.tally_log import TallyChange

VALUES_KEPT = 128
COUNTS_KEPT = 64

Value = TypeVar("Value")
ReadTallies = Callable[[str, int], Tallies]
"""Reads the tallies of a procedure that has this stamp."""


@dataclass(frozen=True, eq=False)
class LearnedProcedure:
    """What is learned of one flow on one platform as of a month.

    ``appraisal`` is ``None`` for a draft that cannot be passed through (a loop, a missing start). ``readings`` are
    those fitted last, by step, as :func:`readings_in_force` has them.
    """

    model: CauseModel
    appraisal: Appraisal | None
    counts: FlowCounts
    platform: str
    fitted: FittedStrengths
    verified_jobs: int = 0
    readings: Mapping[str, StepDensities] | None = None

    @cached_property
    def branches(self) -> Mapping[tuple[str, str], BranchEvidence]:
        """How far each branch can be trusted; worked out once it is asked for, as reasoning does without."""
        return branch_evidence(self.counts, self.platform, self.fitted.branches)

    @cached_property
    def differing(self) -> Mapping[tuple[str, str], tuple[tuple[str, PooledRate], ...]]:
        """By branch, the platforms on which it surely is right more or less often than on all other vehicles."""
        return differing_platforms(self.counts, self.fitted.branches)

    @property
    def notes(self) -> dict[tuple[str, str], BranchNote]:
        """The evidence of each branch as a chart writes it."""
        return {key: _note(found) for key, found in self.branches.items()}


class FittedStrengths(NamedTuple):
    """How alike platforms are: shares of causes by level of the tree, top first, and the weights of the strengths that
    branches have. Empty before the first fit, which means the usual ones. And how probabilities are corrected."""

    causes: tuple[float, ...] = ()
    branches: tuple[float, ...] = ()
    recalibration: Recalibration = NO_RECALIBRATION


class Dependencies(NamedTuple):
    """What the figures of a procedure depend on beside its flow: minutes to reach each set-up state, the stamp of its
    own tallies, and the number of the latest fit of strengths."""

    access_minutes: tuple[tuple[str, float], ...]
    stamp: int
    fit: int


class Counted(NamedTuple):
    """The counts of one flow as of a month, and the verified jobs that followed its procedure."""

    month: str
    counts: FlowCounts
    verified_jobs: int


_values: Cache[object] = Cache(VALUES_KEPT)


def read_tallies(procedure: str, stamp: int) -> Tallies:
    """All tallies of a procedure, whatever the stamp that it was just seen to have. One query."""
    return full_tallies(procedure)


def read_once() -> ReadTallies:
    """A reader that reads the tallies of a procedure at one stamp once, for two figures of one flow."""
    return lru_cache(maxsize=1)(read_tallies)


def learned_procedure(
    flow: Flow,
    checksum: str,
    *,
    behind: HandOverCauses,
    platform: str = "",
    month: str,
    read: ReadTallies = read_tallies,
) -> LearnedProcedure:
    """What closed jobs say about ``flow`` on ``platform`` (a path; empty for all) as of ``month`` (``YYYY-MM``).

    ``behind`` is what lies behind its hand-overs. Whoever asks for more of the same tallies brings one
    :func:`read_once` to all of it.
    """
    now = _dependencies(flow.procedure)
    key = (flow.procedure, checksum, platform, month, behind, now)
    return cached(key, lambda: _learn(flow, checksum, behind, platform, month, now, read))


def cached(key: Hashable, make: Callable[[], Value]) -> Value:
    """The value of ``key``, made now if it is not kept. The key itself holds the stamp of what the value depends on."""
    return _values.of(key, None, make)  # type: ignore[return-value]


def model_for_orders(
    flow: Flow,
    month: str,
    behind: HandOverCauses,
    access_minutes: Mapping[str, float],
    leans: Mapping[str, frozenset[str]],
) -> CauseModel:
    """What closed jobs teach about the steps of ``flow`` in whatever order they may stand (:func:`widened`). Two
    queries."""
    counts = widened(count(flow, full_tallies(flow.procedure), as_of=month, behind=behind), leans=leans)
    return learn(counts, access_minutes=access_minutes, prior_strengths=strengths_in_force().causes)


def _dependencies(procedure: str) -> Dependencies:
    """The setting of a procedure in one query: the rows of the set-up states carry stamp and fit."""
    stamped = stamp_of(procedure).values("stamp")
    latest = StrengthFit.objects.order_by("-fitted_at", "-pk").values("pk")[:1]
    rows = list(
        Access.objects.annotate(stamp=Subquery(stamped), fit=Subquery(latest))
        .order_by("key")
        .values_list("key", "minutes", "stamp", "fit")
    )
    if rows:
        return Dependencies(
            tuple((key, float(minutes)) for key, minutes, _, _ in rows), *(kept or 0 for kept in rows[0][2:])
        )
    fit = StrengthFit.objects.order_by("-fitted_at", "-pk").values_list("pk", flat=True).first()
    return Dependencies((), stamp_of(procedure).values_list("stamp", flat=True).first() or 0, fit or 0)


def prices() -> Prices:
    """What an hour costs and whether the shop proves before it fits, from the settings."""
    return Prices(hourly_rate=float(settings.HOURLY_RATE), prove_first=settings.PROVE_BEFORE_FIT)


def strengths_in_force() -> FittedStrengths:
    """The latest fit. One query."""
    rows = StrengthFit.objects.order_by("-fitted_at", "-pk")
    row = rows.values_list("strengths", "branch_weights", "recalibration").first()
    if row is None:
        return FittedStrengths()
    return FittedStrengths(tuple(row[0]), tuple(row[1]), Recalibration(*row[2]))


def readings_in_force(procedure: str) -> Mapping[str, StepDensities] | None:
    """Those of the latest fit, by step: none where they forecast no better than bands, ``None`` where that is not known
    yet. One query."""
    steps = ReadingFit.objects.filter(pk=procedure).values_list("steps", flat=True).first()
    if steps is None:
        return None
    return {
        step: StepDensities(
            found["unit"], found["scale"], found["width"],
            {cause: tuple(readings) for cause, readings in found["by_cause"].items()}, found["trust"],
        )
        for step, found in steps.items()
    }  # fmt: skip


def full_tallies(procedure: str) -> dict[TallyKey, TallySums]:
    """The procedure's tallies by platform and month. One query."""
    parts = len(KEY_FIELDS)
    rows = Tally.objects.of(procedure).order_by().values_list(*KEY_FIELDS, *SUM_FIELDS)
    return {TallyKey(*row[:parts]): TallySums(*row[parts:]) for row in rows.iterator(chunk_size=2000)}


def _learn(
    flow: Flow, checksum: str, behind: HandOverCauses, platform: str, month: str, now: Dependencies, read: ReadTallies
) -> LearnedProcedure:
    name = (flow.procedure, checksum, month, behind)
    found = _counted.counted(
        name, flow.procedure, now.stamp, lambda: _count(flow, month, behind, read(flow.procedure, now.stamp))
    )
    counts = with_platforms(found.counts, (platform,))
    fitted = strengths_in_force()
    model = learn(
        counts,
        platform,
        access_minutes=dict(now.access_minutes),
        prior_strengths=fitted.causes,
        recalibration=fitted.recalibration,
    )
    passable = flow.start in flow.step_by_key and not loops(flow)
    return LearnedProcedure(
        model,
        appraise(flow, model) if passable else None,
        counts,
        platform,
        fitted,
        found.verified_jobs,
        readings_in_force(flow.procedure) if now.fit else None,
    )


def _count(flow: Flow, month: str, behind: HandOverCauses, found: Tallies) -> Counted:
    return Counted(month, count(flow, found, as_of=month, behind=behind), _verified(found))


def _updated(kept: Counted, changes: Sequence[TallyChange]) -> Counted | None:
    counts: FlowCounts | None = kept.counts
    verified = kept.verified_jobs
    for added, taken in changes:
        if counts is None:
            break
        counts = updated_counts(counts, added, taken, as_of=kept.month)
        verified += _verified(added) - _verified(taken)
    return Counted(kept.month, counts, verified) if counts is not None else None


_counted: TallyCache[Counted] = TallyCache(COUNTS_KEPT, _updated)


def _verified(tallies: Mapping[TallyKey, TallySums]) -> int:
    return sum(sums.count for key, sums in tallies.items() if not key.step and key.cause)


def _note(found: BranchEvidence) -> BranchNote:
    low, high = (found.rate.low, found.rate.high) if isinstance(found.rate, PooledRate) and found.jobs else (None, None)
    return BranchNote(
        jobs=found.jobs,
        successes=found.successes,
        traffic=found.traffic,
        low=low,
        high=high,
        verified=found.verified,
        cured_first=found.cured_first,
    )
