"""Readings of a procedure's steps in the last months beside those before: whether they drift towards a limit.

Which band a reading falls in may stay the same for a long time while the readings move; the tallies do not see that.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_safe

from shopkb.core.diagnosis.counting.ageing import month_number
from shopkb.core.diagnosis.scores.drift import RECENT_MONTHS, ReadingDrift, drifting_readings
from shopkb.core.flow.model import Flow
from shopkb.core.readings.bands import short_number
from shopkb.evidence.learned_procedure import cached
from shopkb.evidence.learning import stamp_of
from shopkb.jobs.models import Job, Result
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.procedures.templatetags.procedure_words import unit_sign
from shopkb.reports.improving.better_limits import better_limits
from shopkb.reports.improving.telling_readings import telling_readings
from shopkb.web.htmx import render_page_or_part

NEWEST = 20_000
"""Most readings that are compared, the newest."""


@dataclass(frozen=True, slots=True)
class Moved:
    """One change as the page says it."""

    step: str
    label: str
    words: str


@require_safe
def readings_page(request: HttpRequest, key: str, number: int) -> HttpResponse:
    """Readings that have shifted, limits they speak against, and what they tell of causes; the procedure's page asks
    for them by itself."""
    revisions = Revision.objects.select_related("procedure")
    revision = get_object_or_404(revisions, procedure__key=key, number=number)
    flow = flow_of(revision)
    stamp = stamp_of(flow.procedure).values_list("stamp", flat=True).first() or 0
    moved = [_moved(flow, one) for one in _drifts(flow, revision, stamp)]
    limits = better_limits(flow, revision, stamp)
    telling = telling_readings(flow)
    context = {
        "revision": revision,
        "flow": flow,
        "moved": moved,
        "limits": limits,
        "telling": telling,
        "section": "procedures",
    }
    return render_page_or_part(request, "reports/readings.html", "reports/_readings.html", context)


def _drifts(flow: Flow, revision: Revision, stamp: int) -> tuple[ReadingDrift, ...]:
    """``stamp``: of the procedure's tallies; one query when it is another than before."""
    month = timezone.localdate().strftime("%Y-%m")
    return cached(("readings", revision.checksum, month, flow.procedure, stamp), lambda: _read(flow, month))


def _read(flow: Flow, month: str) -> tuple[ReadingDrift, ...]:
    """Readings of closed jobs that no later answer replaced, of outcomes that this revision has."""
    rows = (
        Result.objects.filter(
            run__revision__procedure__key=flow.procedure,
            run__job__state=Job.State.CLOSED,
            reading__isnull=False,
            retraction__isnull=True,
            replaced_by__isnull=True,
        )
        .order_by("-pk")
        .values_list("step", "outcome", "unit", "reading", "at")[:NEWEST]
    )
    since = month_number(month) - RECENT_MONTHS
    halves: tuple[dict[tuple[str, str, str], list[float]], ...] = defaultdict(list), defaultdict(list)
    known = {(step.key, outcome.key) for step, outcome in flow.branches}
    for step, outcome, unit, reading, at in rows:
        if (step, outcome) in known and reading is not None:
            taken = timezone.localtime(at).strftime("%Y-%m")
            halves[month_number(taken) <= since][step, outcome, unit].append(float(reading))
    return drifting_readings(flow, *halves)


def _moved(flow: Flow, one: ReadingDrift) -> Moved:
    step = flow.step_by_key[one.step]
    (now, here), (then, there), unit = one.recent, one.before, unit_sign(one.unit)
    way = "Higher" if here > there else "Lower"
    near = f", nearer to the limit of {short_number(one.limit)} {unit}" if one.limit is not None else ""
    words = (
        f"{way} than before{near}: half of {now} readings in the last {RECENT_MONTHS} months above "
        f"{short_number(here)} {unit}, half of {then} earlier above {short_number(there)} {unit}."
    )
    return Moved(step.title, step.outcome(one.outcome).label, words)
