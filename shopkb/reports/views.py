"""Pages and files of figures. Rights are checked here, where the figures are asked for."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from shopkb.accounts import audit
from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, may, require
from shopkb.catalog.models import Symptom, System
from shopkb.catalog.platform_names import platform_names
from shopkb.procedures.models import Procedure
from shopkb.reports.figures.confirmed_causes import By
from shopkb.reports.gathering.filters import FilterError, Filters, month_before
from shopkb.reports.pages import month_page as month_page
from shopkb.reports.pages import office_page, people_page, registry
from shopkb.reports.pages.page import Page
from shopkb.reports.presenting.export import SPREADSHEET, csv_text, workbook

USED = {
    "changes": ("system", "symptom", "platform", "procedure"),
    "tests": ("system", "symptom", "platform", "procedure", "person"),
    "minutes": ("system", "symptom", "platform", "procedure"),
    "comebacks": ("system", "symptom", "platform", "procedure"),
    "causes": ("system", "symptom", "platform", "procedure"),
    "shelf": ("system", "symptom", "platform", "procedure"),
    "honesty": ("system", "symptom", "procedure"),
    "people": ("symptom", "platform", "procedure"),
}
"""Which filters a page has; the period always."""

TALLIED = ("changes", "tests", "minutes", "comebacks", "shelf")
"""Pages of which some figures rest on tallies, others on the latest jobs."""


class _Build(Protocol):
    def __call__(self, filters: Filters, now: datetime, *, by: str = "", sort: str = "") -> Page: ...


@require_safe
def figures(request: SignedInRequest, name: str = "changes") -> HttpResponse:
    """One page of figures, filtered and sorted by its address; ``?table=`` takes one of its tables away as CSV."""
    require(request.user, Right.REPORT)
    if name not in registry.PAGES:
        raise Http404

    def build(filters: Filters, now: datetime, *, by: str = "", sort: str = "") -> Page:
        return registry.page(name, filters, now, by=by, sort=sort)

    return _answer(request, name, build)


@require_safe
def person(request: SignedInRequest, who: str) -> HttpResponse:
    """One person's page: for that person, and for those who may see the shop's figures."""
    require(request.user, Right.READ)
    if not User.people.visible_to(request.user).filter(username=who).exists():
        require(request.user, Right.REPORT)
    get_object_or_404(User, username=who)

    def build(filters: Filters, now: datetime, *, by: str = "", sort: str = "") -> Page:
        return people_page.own(filters.but(person=who), now).sorted(sort)

    return _answer(request, "own", build)


@require_safe
def month(request: SignedInRequest, month: str) -> HttpResponse:
    """One month on one sheet, to print."""
    require(request.user, Right.REPORT)
    now = timezone.now()
    try:
        filters = Filters.of({"until": month}, timezone.localdate())
    except FilterError as error:
        raise Http404(str(error)) from error
    return render(
        request,
        "reports/month.html",
        {"page": month_page.build(filters, now), "filters": filters, "section": "figures"},
    )


@require_safe
def office(request: SignedInRequest) -> HttpResponse:
    """``?month=`` for the office, the month before this one unless said; ``?table=`` takes one of its tables away as
    CSV, ``?as=xlsx`` all as a spreadsheet. That it was taken away is noted: it tells customers' vehicles."""
    require(request.user, Right.REPORT)
    last, status = month_before(f"{timezone.localdate():%Y-%m}"), 200
    try:
        filters = Filters.of_month(request.GET.get("month", "").strip() or last)
    except FilterError as error:
        messages.error(request, str(error))
        filters, status = Filters.of_month(last), 400
    page = office_page.build(filters)
    wanted, spreadsheet = request.GET.get("table"), request.GET.get("as") == "xlsx"
    if status == 200 and (wanted is not None or spreadsheet):
        stem = f"office-{filters.until}"
        answer = _spreadsheet(page, stem) if spreadsheet else _file(page, wanted or "", f"{stem}-{wanted}")
        audit.note(audit.Action.EXPORTED, f"{filters.until} for the office, {wanted or 'spreadsheet'}")
        return answer
    context = {
        "page": page,
        "filters": filters,
        "everything": request.GET.get("rows") == "all",
        "month_before": month_before(filters.until),
        "time_zone": settings.TIME_ZONE,
        "section": "figures",
    }
    return render(request, "reports/office.html", context, status=status)


def _spreadsheet(page: Page, stem: str) -> HttpResponse:
    return HttpResponse(
        workbook(page.tables),
        content_type=SPREADSHEET,
        headers={"Content-Disposition": f'attachment; filename="{stem}.xlsx"'},
    )


def _answer(request: SignedInRequest, name: str, build: _Build) -> HttpResponse:
    now, status = timezone.now(), 200
    asked = {
        key: str(value) for key, value in request.GET.items() if key in USED.get(name, ()) or key in ("since", "until")
    }
    by, sort = request.GET.get("by", ""), request.GET.get("sort", "")[:30]
    try:
        filters = Filters.of(asked, timezone.localdate())
        page = build(filters, now, by=by, sort=sort)
    except FilterError as error:
        messages.error(request, str(error))
        filters, status = Filters.of({}, timezone.localdate()), 400
        page = build(filters, now)
    wanted = request.GET.get("table")
    if wanted is not None and status == 200:
        return _file(page, wanted, f"{wanted}-{filters.since}-{filters.until}")
    context = {
        "page": page,
        "filters": filters,
        "choices": _choices(name, filters),
        "tabs": registry.TABS if may(request.user, Right.REPORT) and name != "own" else {},
        "name": name,
        "tallied": name in TALLIED,
        "by": by or By.CAUSE,
        "bys": list(By) if name == "causes" else [],
        "sort": sort,
        "month_before": month_before(filters.until),
        "everything": request.GET.get("rows") == "all",
        "section": "figures",
    }
    return render(request, "reports/figures.html", context, status=status)


def _file(page: Page, wanted: str, stem: str) -> HttpResponse:
    table = next((table for table in page.tables if table.name == wanted), None)
    if table is None:
        raise Http404(f"This page has no table called {wanted[:40]!r}.")
    return HttpResponse(
        csv_text(table).encode(),
        content_type="text/csv; charset=utf-8; header=present",
        headers={"Content-Disposition": f'attachment; filename="{stem}.csv"'},
    )


def _choices(name: str, filters: Filters) -> list[tuple[str, str, str, list[tuple[str, str]]]]:
    """(name, label, chosen, choices) of each filter that the page has."""
    used = USED.get(name, ())
    found: list[tuple[str, str, str, list[tuple[str, str]]]] = []
    if "procedure" in used:
        rows = list(Procedure.objects.published().values_list("key", "title"))
        found.append(("procedure", "Procedure", filters.procedure, rows))
    if "system" in used:
        found.append(("system", "System", filters.system, _systems()))
    if "symptom" in used:
        found.append(("symptom", "Symptom", filters.symptom, list(Symptom.objects.values_list("key", "name"))))
    if "platform" in used:
        found.append(("platform", "Vehicle", filters.platform, sorted(platform_names().items())))
    if "person" in used:
        people_rows = list(User.objects.order_by("username").values_list("username", "called"))
        found.append(("person", "Person", filters.person, [(who, called or who) for who, called in people_rows]))
    return found


def _systems() -> list[tuple[str, str]]:
    """The upper two levels of the tree: components would be too many to choose from."""
    rows = System.objects.filter(level__lte=1).order_by("tree_id", "lft").values_list("path", "name", "level")
    return [(path, f"{'– ' * level}{name}") for path, name, level in rows]
