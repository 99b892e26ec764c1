"""What comes next on an open job, as a sentence and one button."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.urls import reverse
from django.utils.http import urlencode

from shopkb.core.diagnosis.advice.next_action import RepairOption
from shopkb.jobs.models import Job
from shopkb.jobs.proofs import NamedCause
from shopkb.jobs.reasoning import Reasoning
from shopkb.jobs.run_state import RunState


@dataclass(frozen=True, slots=True)
class GoOn:
    """``words`` say what comes next and why, ``label`` is the button, ``link`` its page."""

    words: str
    label: str
    link: str


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
