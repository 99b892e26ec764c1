"""Reading a list of the office's vehicles in: choose the file, look at what was understood, take it in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django import forms
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Platform
from shopkb.jobs.actions.vehicles import Became, ListedVehicle, Outcome, outcomes_of, store_listed
from shopkb.jobs.forms.fields import NamedPlatform
from shopkb.jobs.vehicle_list import (
    FIELDS,
    BadColumns,
    ReadLine,
    guessed_columns,
    read_lines,
    wrong_lines_csv,
    wrong_of,
)
from shopkb.web.numbers import row_number
from shopkb.web.sent_tables import LARGEST_FILE, BadTable, SentRow, SentTable, as_text, from_text, read_table

SHOWN = 8
"""First rows that are shown as they were understood."""
WRONG_SHOWN = 40
"""Wrong lines on the page; the file has them all."""


class OtherwiseForm(forms.Form):
    """What a new vehicle is where its line does not say it."""

    otherwise = NamedPlatform(
        label="A new vehicle whose kind is not named is", queryset=Platform.objects.order_by("tree_id", "lft"),
        empty_label="not taken in", required=False,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Understood:
    """A table as it was understood, with what becomes, or became, of its lines."""

    table: SentTable
    columns: Mapping[str, int]
    lines: Sequence[ReadLine]
    outcomes: Mapping[int, Outcome]

    @property
    def wrong(self) -> list[tuple[SentRow, str]]:
        return wrong_of(self.lines, self.outcomes)

    @property
    def counts(self) -> dict[str, int]:
        found = Counter(outcome.became for outcome in self.outcomes.values() if outcome.became is not Became.WRONG)
        return {"new": found[Became.NEW], "changed": found[Became.CHANGED], "same": found[Became.SAME]}


@require_http_methods(["GET", "HEAD", "POST"])
def read_in(request: SignedInRequest) -> HttpResponse:
    """The file is looked at, its columns are chosen, then it is taken in: ``do`` is ``look``, ``write`` or ``wrong``,
    which hands the wrong lines back as CSV. The table travels with the page; every step looks at all of it again."""
    require(request.user, Right.VEHICLES)
    if request.method != "POST":
        return _first_page(request)
    file = request.FILES.get("file")
    try:
        if file is not None:
            table, name = read_table(file.read(LARGEST_FILE + 1)), str(file.name)[:100]
            columns = guessed_columns(table.headings.cells)
        elif "table" in request.POST:
            table = from_text(request.POST["table"], request.POST.get("told", "")[:200])
            name, columns = request.POST.get("name", "")[:100], _chosen(request, len(table.headings.cells))
        else:
            raise BadTable("Choose a file first.")
    except BadTable as error:
        return _first_page(request, str(error))
    return _answer(request, table, columns, name)


def _first_page(request: SignedInRequest, refused: str = "") -> HttpResponse:
    context = {"refused": refused, "fields": FIELDS.values(), "section": "jobs"}
    return render(request, "jobs/vehicle_list.html", context, status=422 if refused else 200)


def _chosen(request: SignedInRequest, width: int) -> dict[str, int]:
    found = {}
    for name in FIELDS:
        place = row_number(request.POST.get(f"column-{name}", ""))
        if place is not None and place < width:
            found[name] = place
    return found


def _answer(request: SignedInRequest, table: SentTable, columns: Mapping[str, int], name: str) -> HttpResponse:
    form = OtherwiseForm(request.POST if "otherwise" in request.POST else {"otherwise": _only_root()})
    otherwise = form.cleaned_data["otherwise"] if form.is_valid() else None
    do, refused, lines = request.POST.get("do", "look"), "", list[ReadLine]()
    shown = _shown(columns, str(form["otherwise"].value() or ""))
    others = do == "write" and request.POST.get("shown") != shown
    try:
        lines = list(read_lines(table, columns, otherwise))
    except BadColumns as error:
        refused = str(error)
    listed = [line.listed for line in lines if line.listed is not None]
    writes = do == "write" and not others and not refused and form.is_valid()
    outcomes = _stored(listed, request, name) if writes else _looked_at(listed)
    understood = _Understood(table, columns, lines, outcomes)
    if do == "wrong" and not refused:
        return _wrong_lines(understood)
    context = {
        **_told(understood), "name": name, "form": form, "refused": refused, "shown": shown, "others": others,
        "done": writes, "section": "jobs",
    }  # fmt: skip
    status = 422 if refused or (do == "write" and not writes) else 200
    return render(request, "jobs/vehicle_list_read.html", context, status=status)


def _told(understood: _Understood) -> dict[str, object]:
    """What the page shows of a table: its columns, its first lines, what is wrong, what to look at."""
    table, lines, counts, wrong = understood.table, understood.lines, understood.counts, understood.wrong
    return {
        "table": table,
        "text": as_text(table),
        "columns": [(key, words, understood.columns.get(key)) for key, words in FIELDS.items()],
        "headings": list(enumerate(table.headings.cells)),
        "first": [(line, understood.outcomes.get(line.row.line)) for line in lines[:SHOWN]],
        "counts": counts,
        "takes": counts["new"] + counts["changed"],
        "wrong": wrong[:WRONG_SHOWN],
        "wrong_in_all": len(wrong),
        "more_wrong": max(0, len(wrong) - WRONG_SHOWN),
        "notes": [line for line in lines if line.note][:WRONG_SHOWN],
    }


def _shown(columns: Mapping[str, int], otherwise: str) -> str:
    """What a page was made from: nothing is stored by columns that nobody has seen at work."""
    return f"{'|'.join(str(columns.get(name, '')) for name in FIELDS)}·{otherwise}"


def _only_root() -> str:
    """The vehicle that all others of the catalogue are below, where there is one: it says least."""
    roots = list(Platform.objects.filter(level=0).values_list("pk", flat=True)[:2])
    return str(roots[0]) if len(roots) == 1 else ""


def _looked_at(listed: Sequence[ListedVehicle]) -> dict[int, Outcome]:
    return {outcome.line: outcome for chunk in outcomes_of(listed) for outcome in chunk}


def _stored(listed: Sequence[ListedVehicle], request: SignedInRequest, name: str) -> dict[int, Outcome]:
    chunks = store_listed(listed, by=request.user, source=name)
    return {outcome.line: outcome for chunk in chunks for outcome in chunk}


def _wrong_lines(understood: _Understood) -> HttpResponse:
    return HttpResponse(
        wrong_lines_csv(understood.table, understood.wrong).encode(),
        content_type="text/csv; charset=utf-8; header=present",
        headers={"Content-Disposition": 'attachment; filename="vehicles-wrong-lines.csv"'},
    )
