"""The page on which it is decided what becomes of a suggestion."""

from __future__ import annotations

from collections.abc import Mapping

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, may
from shopkb.procedures.publishing import ActionRefused
from shopkb.reports.figures.decisions import Decided
from shopkb.reports.figures.suggestions import Subject
from shopkb.reports.gathering.filters import FilterError, Filters
from shopkb.reports.improving.deciding import Said, decide, require_decider
from shopkb.reports.improving.decision_forms import FORMS, DecisionForm, TakeUpForm
from shopkb.reports.models import SuggestionDecision
from shopkb.reports.pages import changes_page
from shopkb.reports.pages.decisions_table import decision_words
from shopkb.reports.pages.report_data import ReportData

SHOWN = 20
LONGEST_NAME = 300


@require_http_methods(["GET", "HEAD", "POST"])
def decide_page(request: SignedInRequest, subject: str) -> HttpResponse:
    """What the jobs say of one suggestion, what was decided before, and what can be decided now."""
    about = _subject(subject)
    require_decider(request.user, about)
    earlier = list(SuggestionDecision.decisions.on(about).select_related("person", "by")[:SHOWN])
    now, do, where = _said_now(about, request.GET)
    said = now or (_said_then(earlier[0]) if earlier else None)
    if said is None:
        raise Http404("Nothing of this kind stands out in this period, and nothing was decided about it.")
    offered = _offered(about, earlier, request)
    chosen = next((form for form in offered if form.is_bound), None)
    if chosen is not None and chosen.is_valid() and _stored(request, about, said, chosen):
        return redirect("reports:figures" if may(request.user, Right.REPORT) else "home")
    context = {
        "said": said,
        "still": now is not None,
        "do": do,
        "where": where if may(request.user, Right.REPORT) or not where.startswith(reverse("reports:figures")) else "",
        "earlier": [(decision_words(row), row.at) for row in earlier],
        "offered": offered,
        "section": "figures",
    }
    refused = chosen is not None and bool(chosen.errors)
    return render(request, "reports/decide.html", context, status=422 if refused else 200)


def _subject(address: str) -> Subject:
    """One that no suggestion can have is none."""
    try:
        found = Subject.at(address)
    except ValueError as error:
        raise Http404(str(error)) from error
    if any(len(part) > LONGEST_NAME for part in found):
        raise Http404("No suggestion has so long a name.")
    return found


def _said_now(subject: Subject, asked: Mapping[str, str]) -> tuple[Said | None, str, str]:
    """What stands out about it in the period of the address, what to do and where; nothing where nothing does."""
    try:
        period = {name: asked.get(name, "") for name in ("since", "until")}
        data = ReportData(Filters.of(period, timezone.localdate()))
    except FilterError as error:
        raise Http404(str(error)) from error
    found = next((one for one in changes_page.standing_out(data, timezone.now()) if one.subject == subject), None)
    if found is None:
        return None, "", ""
    said = Said(changes_page.sentence(found, data.chosen), found.part, found.whole, found.saved)
    return said, changes_page.DO[found.kind], changes_page.where(found, data.chosen)


def _said_then(row: SuggestionDecision) -> Said:
    return Said(row.said, row.part, row.whole, row.minutes)


def _offered(subject: Subject, earlier: list[SuggestionDecision], request: SignedInRequest) -> list[DecisionForm]:
    """The one that was sent holds what was typed. Back on the list goes only what is not there."""
    sent = request.POST.get("decided", "") if request.method == "POST" else ""
    on_list = not earlier or earlier[0].decided == Decided.TAKEN_UP
    kinds = [kind for kind in FORMS if not (kind is TakeUpForm and on_list)]
    return [kind(subject, request.POST if kind.decided == sent else None) for kind in kinds]


def _stored(request: SignedInRequest, subject: Subject, said: Said, form: DecisionForm) -> bool:
    try:
        row = decide(
            subject, form.decided, said, by=request.user, at=timezone.now(), client_id=form.cleaned_data["client_id"],
            person=form.person, revision=form.revision, words=form.cleaned_data["words"],
        )  # fmt: skip
    except ActionRefused as error:
        form.add_error(None, str(error))
        return False
    messages.success(request, decision_words(row))
    return True
