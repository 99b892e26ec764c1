"""What a job that came back is reasoned from: what the earlier one was closed as cured of, and what it measured."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from shopkb.core.diagnosis.belief.comeback import ComebackEvidence
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.jobs.models import Job, Repair
from shopkb.jobs.run_state import RunState, run_states_of


@dataclass(frozen=True, slots=True)
class CameBack:
    """``job`` is the number of the earlier job, ``cause`` what it was closed as cured of, in words."""

    job: int
    cause: str
    earlier: ComebackEvidence

    @property
    def words(self) -> str:
        told = f"Percentages begin with job {self.job}, which was closed as cured of {self.cause}"
        of = self.earlier.same + self.earlier.other
        if of:
            return f"{told}. Of {of} comebacks here with a proven cause, {self.earlier.same} had the same cause again."
        return f"{told}. No comeback here has told yet how often it is the same cause again; 1 in 4 is taken."


def came_back(job: Job) -> CameBack | None:
    """The job that this one came back from, as far as it was closed as cured; ``None`` otherwise. Five queries for a
    comeback, none for any other job."""
    if job.comeback_of_id is None:
        return None
    repair = Repair.objects.claimed().filter(job=job.comeback_of_id).select_related("cause__component").last()
    if repair is None:
        return None
    earlier = Job.objects.select_related("platform", "symptom", "vehicle").get(pk=job.comeback_of_id)
    same, other = _shares()
    told = ComebackEvidence(repair.cause.identity, tuple(results_of(run_states_of(earlier))), same, other)
    return CameBack(earlier.pk, str(repair.cause), told)


def results_of(states: Iterable[RunState]) -> list[CaseResult]:
    """The results that count, as learning takes them."""
    return [
        CaseResult(state.flow.procedure, row.step, row.outcome, row.skipped)
        for state in states
        for row in state.effective
    ]


def _shares() -> tuple[int, int]:
    """How many comebacks with a confirmed cause had the cause again that the job before was closed as cured of, and how
    many another. Two queries."""
    found = dict(
        Repair.objects.confirmed()
        .filter(job__comeback_of__isnull=False)
        .order_by("pk")
        .values_list("job__comeback_of", "cause")
    )
    before = dict(Repair.objects.claimed().filter(job__in=found).order_by("pk").values_list("job", "cause"))
    same = sum(found[job] == cause for job, cause in before.items())
    return same, len(before) - same
