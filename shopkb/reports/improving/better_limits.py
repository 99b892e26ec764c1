"""Limits of a procedure that closed jobs speak against, as its page says them."""

from __future__ import annotations

from dataclasses import dataclass

from django.urls import reverse
from django.utils.http import urlencode

from shopkb.core.diagnosis.appraisal.limit_search import LimitProposal, MeasuredCase, limit_proposals
from shopkb.core.flow.model import Flow
from shopkb.core.readings.bands import short_number
from shopkb.evidence.learned_procedure import cached
from shopkb.jobs.measured_answers import measured_answers
from shopkb.jobs.views.job_filters import DONE
from shopkb.procedures.models import Revision
from shopkb.procedures.templatetags.procedure_words import unit_sign


@dataclass(frozen=True, slots=True)
class LimitWords:
    """A proposal as the page says it; ``jobs`` is the address of the list of jobs behind it."""

    step: str
    sides: str
    words: str
    jobs: str


def better_limits(flow: Flow, revision: Revision, stamp: int) -> list[LimitWords]:
    """What the page says. ``stamp``: of the procedure's tallies; one query when it is another than before."""
    found = cached(
        ("limits", revision.checksum, flow.procedure, stamp), lambda: limit_proposals(flow, measured_cases(flow))
    )
    return [_told(flow, one) for one in found]


def measured_cases(flow: Flow) -> list[MeasuredCase]:
    """The readings that limits are held against, oldest first. One query."""
    return [MeasuredCase(step, one.reading, one.cause) for step, one in measured_answers(flow)]


def _told(flow: Flow, one: LimitProposal) -> LimitWords:
    step = flow.step_by_key[one.limit.step]
    unit = unit_sign(step.reading.unit) if step.reading else ""
    now, then = (f"{short_number(each)} {unit}" for each in (one.limit.at, one.proposed))
    words = (
        f"{then} would give the right answer more often than {now}. {one.wrong_now} of {one.below + one.above} "
        f"readings with a proven cause fell on the wrong side of {now}; with {then} it would have been "
        f"{one.wrong_then} ({one.put_right} put right, {one.made_wrong} made wrong). "
        f"Chance that it is better: {_percent(one.chance)}."
    )
    asked = {"state": "closed", "procedure": flow.procedure, "step": step.key, "outcome": DONE, "fate": "proven"}
    below, above = (step.outcome(key).label for key in (one.limit.below, one.limit.above))
    return LimitWords(step.title, f"{below} / {above}", words, f"{reverse('jobs:list')}?{urlencode(asked)}")


def _percent(chance: float) -> str:
    return "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"
