"""The log of who did what, for a keeper: filtered, page by page, and as a file."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from django.db.models import QuerySet
from django.http import HttpResponse, QueryDict, StreamingHttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.views.decorators.http import require_safe

from shopkb.accounts import audit
from shopkb.accounts.models import AuditRecord
from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.jobs.readings import Reader, readers_of
from shopkb.web.csv_cells import MARK, safe
from shopkb.web.numbers import row_number

PAGE = 100
COLUMNS = ("time", "action", "who", "what", "address")


@dataclass(frozen=True, slots=True)
class AuditFilters:
    """What of the log is looked at; an empty one leaves everything."""

    who: str = ""
    action: str = ""
    since: date | None = None
    until: date | None = None

    @classmethod
    def of(cls, sent: QueryDict) -> AuditFilters:
        """What is no action or no day counts as none."""
        action = sent.get("action", "")
        return cls(
            sent.get("who", "").strip()[:150],
            action if action in AuditRecord.Action.values else "",
            day(sent.get("since", "")),
            day(sent.get("until", "")),
        )

    def rows(self) -> QuerySet[AuditRecord]:
        """Newest first."""
        found = AuditRecord.objects.all()
        if self.who:
            found = found.filter(who=self.who)
        if self.action:
            found = found.filter(action=self.action)
        if self.since:
            found = found.filter(at__gte=_begin(self.since))
        if self.until:
            found = found.filter(at__lt=_begin(self.until) + timedelta(days=1))
        return found


def day(text: str) -> date | None:
    """A day as ``2026-11-29``; None for anything else, and for days at the ends of the calendar."""
    try:
        found = parse_date(text)
    except ValueError:
        return None
    return found if found is not None and 1900 <= found.year <= 9000 else None


def _begin(of: date) -> datetime:
    return timezone.make_aware(datetime.combine(of, time.min))


@require_safe
def audit_page(request: SignedInRequest) -> HttpResponse:
    """The newest lines first, a page at a time."""
    require(request.user, Right.PEOPLE)
    filters = AuditFilters.of(request.GET)
    rows = filters.rows()
    before = row_number(request.GET.get("before", ""))
    if before is not None:
        rows = rows.filter(pk__lt=before)
    shown = list(rows[: PAGE + 1])
    asked = request.GET.copy()
    asked.pop("before", None)
    context = {
        "filters": filters,
        "actions": AuditRecord.Action.choices,
        "rows": shown[:PAGE],
        "older": shown[PAGE - 1].pk if len(shown) > PAGE else None,
        "asked": asked.urlencode(),
    }
    return render(request, "upkeep/audit.html", context)


@require_safe
def audit_file(request: SignedInRequest) -> StreamingHttpResponse:
    """The lines that the filters leave, as CSV, however many; that it was read so is a line of its own."""
    require(request.user, Right.PEOPLE)
    filters = AuditFilters.of(request.GET)
    rows = filters.rows()
    last = rows.values_list("pk", flat=True).first() or 0
    audit.note(audit.Action.EXPORTED, request.GET.urlencode())
    response = StreamingHttpResponse(csv_lines(rows.filter(pk__lte=last)), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = 'attachment; filename="audit-log.csv"'
    return response


class _Echo:
    """Hands each line back that a CSV writer writes."""

    def write(self, line: str) -> str:
        return line


def csv_lines(rows: QuerySet[AuditRecord]) -> Iterator[str]:
    """RFC 4180, UTF-8 with a byte order mark, oldest first."""
    writer: Any = csv.writer(_Echo())
    yield MARK + writer.writerow(COLUMNS)
    for row in rows.order_by("pk").iterator(chunk_size=2000):
        yield writer.writerow([safe(value) for value in as_fields(row).values()])


def as_fields(row: AuditRecord) -> dict[str, str]:
    """The line as text by column; the time is that of the shop with its offset."""
    at = timezone.localtime(row.at).isoformat(timespec="seconds")
    return dict(zip(COLUMNS, (at, row.get_action_display(), row.who, row.what, row.address), strict=True))


@require_safe
def readers_page(request: SignedInRequest) -> HttpResponse:
    """Who read the jobs of one vehicle: people, jobs and days, counted."""
    require(request.user, Right.PEOPLE)
    registration = request.GET.get("registration", "").strip()[:20]
    readers: list[Reader] = readers_of(registration) if registration else []
    context = {"registration": registration, "readers": readers}
    return render(request, "upkeep/readers.html", context)
