"""What comes next on an open job, as a sentence and one button."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.urls import reverse
from django.utils.http import urlencode

from shopkb.core.diagnosis.advice.next_action import RepairOption
from shopkb.jobs.closed_jobs import latest_verification
from shopkb.jobs.models import Job, Repair, Run, Verification
from shopkb.jobs.proofs import NamedCause
from shopkb.jobs.reasoning import Reasoning
from shopkb.jobs.run_state import RunState


@dataclass(frozen=True, slots=True)
class GoOn:
    """``words`` say what comes next and why, ``label`` is the button, ``link`` its page.

    ``cured``: the last repair cured, so nothing is advised any more. ``closes``: only closing the job is left.
    """

    words: str
    label: str
    link: str
    cured: bool = False
    closes: bool = False


def after_repair(job: Job, repair: Repair | None, runs: Sequence[Run]) -> GoOn | None:
    """What the repair recorded last asks for: to be verified, or, where it cured, to close the job.

    ``None`` where testing goes on: no repair, one that did not cure, or a procedure begun after the cure. Needs the
    repair's ``verifications`` loaded to cost no query.
    """
    if repair is None or not job.is_open:
        return None
    verified = latest_verification(repair)
    if verified is None:
        return GoOn(
            "The repair is recorded. See whether it cured.",
            "Verify the cure",
            reverse("jobs:verify", args=[repair.pk]),
        )
    if verified.cured != Verification.Cured.YES or any(
        run.state == Run.State.UNDER_WAY and run.started_at > verified.at for run in runs
    ):
        return None
    if repair.settles.exists() and not Repair.objects.filter(job=job).cured_complaint().exists():
        return None  # another fault is gone; the complaint is not
    if job.open_findings:
        finding = job.open_findings[0]
        return GoOn(
            f"Cured. Before the job is closed, say what became of: {finding.words}.",
            "Deal with the other fault",
            reverse("jobs:finding", args=[finding.pk]),
            cured=True,
        )
    return GoOn(
        "Cured. Close the job.", "Close the job", f"{reverse('jobs:job', args=[job.pk])}#close", cured=True, closes=True
    )


def after_failure(job: Job, repair: Repair | None) -> GoOn | None:
    """Another fault that is still open, where the repair recorded last did not cure the complaint: it may be what keeps
    it, and no further test is worth its minutes before that is known. ``None`` where there is none.

    Needs the repair's ``verifications`` and ``settles`` loaded to cost no query for them.
    """
    if repair is None or not job.is_open or not job.open_findings or repair.settles.exists():
        return None
    verified = latest_verification(repair)
    if verified is None or verified.cured != Verification.Cured.NO:
        return None
    finding = job.open_findings[0]
    return GoOn(
        f"Another fault is open on this vehicle: {finding.words}. It may be what keeps the complaint. Put it right, or "
        "say what became of it, before testing further.",
        "Deal with the other fault",
        reverse("jobs:finding", args=[finding.pk]),
    )


def go_on(job: Job, states: Sequence[RunState], reasoning: Reasoning, ends: Sequence[NamedCause]) -> GoOn | None:
    """The next action of :attr:`Reasoning.next_words` and where it is done; ``None`` where nothing is left to do."""
    runs = {state.flow.procedure: state for state in states}
    if reasoning.goes_on_as_written and reasoning.written is not None:
        run = runs[reasoning.written_in].run
        return GoOn(reasoning.next_words, f"Go on: {reasoning.written.title}", reverse("jobs:run", args=[run.pk]))
    if (test := reasoning.advice.test) is not None:
        link = reverse("jobs:step", args=[runs[test.procedure].run.pk, test.step])
        return GoOn(reasoning.next_words, f"Go on: {test.title}", link)
    if (repair := reasoning.advice.repair) is not None and not repair.looks_further:
        return GoOn(reasoning.next_words, "Record the repair", _repair_link(job, repair, ends))
    return GoOn(reasoning.next_words, "Choose another procedure", f"{reverse('jobs:job', args=[job.pk])}#fits")


def _repair_link(job: Job, repair: RepairOption, ends: Sequence[NamedCause]) -> str:
    """The repair's page, with the end that named its cause or with its likeliest cause filled in."""
    page = reverse("jobs:repair", args=[job.pk])
    end = next((end for end in ends if end.identity in repair.causes and end.repaired is None), None)
    return f"{page}?{urlencode({'result': end.result.pk} if end else {'cause': repair.causes[0]})}"
