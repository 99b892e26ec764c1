"""The front page of each role."""

from __future__ import annotations

from django.db.models import Count, Q
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right
from shopkb.catalog.models import Proposal
from shopkb.jobs.models import HandOver, Job, Run
from shopkb.procedures.models import Procedure, ProcedureRequest, Revision
from shopkb.reports.figures.decisions import Decided
from shopkb.reports.models import SuggestionDecision
from shopkb.reports.pages.decisions_table import decide_at

LATEST = 8


@require_safe
def home(request: SignedInRequest) -> HttpResponse:
    """Own runs and open jobs for everyone; drafts for writers; the month's figures for managers."""
    user = request.user
    context: dict[str, object] = {
        "runs": Run.objects.under_way()
        .filter(holder=user, job__state=Job.State.OPEN)
        .select_related("job__vehicle", "revision"),
        "jobs": Job.objects.open().for_list()[:LATEST],
    }
    context["handed"] = HandOver.objects.filter(receiver=user, accepted_at__isnull=True).select_related(
        "giver", "run__job__vehicle", "run__revision"
    )
    if user.may(Right.WRITE) or user.may(Right.REPORT):
        context["asked"] = ProcedureRequest.objects.filter(settled_at__isnull=True).count()
    if user.may(Right.WRITE):
        waiting = Q(state=Revision.State.IN_REVIEW) | Q(state=Revision.State.DRAFT, author=user)
        context["revisions"] = Revision.objects.filter(waiting).select_related("procedure", "author")
        given = SuggestionDecision.decisions.latest().filter(decided=Decided.GIVEN, person=user).select_related("by")
        context["given"] = [(row, decide_at(row.subject)) for row in given]
    if user.may(Right.PUBLISH):
        waiting_words = Proposal.objects.filter(state=Proposal.State.WAITING).exclude(by=user)
        context["proposals"] = waiting_words.select_related("by")
    if user.may(Right.REPORT):
        context["month"] = _month()
        context["shelf"] = Procedure.objects.published().count()
    return render(request, "reports/home.html", context)


def _month() -> list[dict[str, object]]:
    """Jobs closed this month by how they were closed, with the address of the list of them. One query."""
    start = timezone.localtime().replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    rows = (
        Job.objects.closed()
        .filter(closed_at__gte=start)
        .values("disposition")
        .annotate(jobs=Count("pk"))
        .order_by("-jobs", "disposition")
    )
    behind = {"state": "closed", "since": f"{start:%Y-%m}", "until": f"{start:%Y-%m}"}
    return [
        {
            "words": Job.Disposition(row["disposition"]).label,
            "jobs": row["jobs"],
            "link": f"{reverse('jobs:list')}?{urlencode({**behind, 'ended': row['disposition']})}",
        }
        for row in rows
    ]
