"""A month for the office: what stands in the files is what the tables hold, read back by programs of others.

Recomputed from plain rows of the database, with csv, openpyxl and pandas as readers.
"""

from __future__ import annotations

import csv
import io
import uuid
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import openpyxl
import pandas as pd
import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.http import HttpResponse
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from shopkb.accounts.models import AuditRecord, User
from shopkb.catalog.cause_registry import cause_for
from shopkb.core.flow.model import Proof
from shopkb.jobs.actions import closing, following, handing_over, repairing
from shopkb.jobs.actions.repairing import PartLine
from shopkb.jobs.actions.vehicles import Became, ListedVehicle, VehicleDetails, store_listed
from shopkb.jobs.models import Job, Repair, RepairPart, Result
from shopkb.procedures.models import Procedure
from shopkb.reports.presenting.export import workbook
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Table
from shopkb.web.csv_cells import FORMULA
from tests.builders import TO_HORN, get, say, signed_in, start, take_in, words_of
from tests.examples import examples

LONDON = ZoneInfo("Europe/London")
AT = datetime(2026, 3, 10, 9, 0, tzinfo=UTC)
HARD = '=HYPERLINK("http://evil.example")\r\n"quoted", with; separators\x0b'
PARTS = (
    PartLine("Horn, chromed", "H-1", Decimal("1"), Decimal("28.50")),
    PartLine("+Wire", "", Decimal("0.75"), Decimal("0.33")),
)


def repaired(
    job: Job, by: User, *, lines: tuple[PartLine, ...] = (), words: str = "", minutes: int | None = 25
) -> None:
    done = repairing.RepairDetails(
        cause_for("body/horn/horn", "open circuit"), Proof.MEASURED, "Fitted a new horn.", uuid.uuid4(),
        lines=lines, parts=words, minutes=minutes,
    )  # fmt: skip
    repairing.record_repair(job, done, by=by, at=AT)


def closed(job: Job, by: User, at: datetime) -> Job:
    return closing.close_job(job, Job.Disposition.DECLINED, by=by, at=at)


@pytest.fixture
def month(horn: Procedure, junior: User, second: User, keeper: User) -> list[Job]:
    """March 2026: jobs by two people with parts of every kind; one from either side of its ends; one still open."""
    first = take_in(junior, at=AT, complaint=HARD, vin="1M8GDM9AXKP042788", odometer=184_300)
    run = start(first, horn, junior, at=AT)
    seconds = 0
    for answer, (took, by) in zip(TO_HORN, ((150, junior), (9, second), (89, second), (29, second)), strict=True):
        if by == second:
            handing_over.take_over(run, by=second, at=AT, client_id=uuid.uuid4())
        seconds += took
        following.record(run, say(run, *answer), by=by, at=AT + timedelta(seconds=seconds))
    repaired(first, junior, lines=PARTS)
    repaired(first, second, minutes=None)
    known = ListedVehicle(2, VehicleDetails(first.vehicle.registration, customer_reference="A-17"))
    assert [outcome.became for (outcome,) in store_listed([known], by=keeper, source="x")] == [Became.CHANGED]
    other = take_in(second, at=AT)
    repaired(other, second, words="One fuse", minutes=5)
    repaired(other, second, lines=PARTS[:1], minutes=0)
    unpriced = take_in(junior, at=AT)
    repaired(unpriced, junior, lines=(PARTS[0], PartLine("Clip", "", Decimal(3))))
    begin = datetime(2026, 3, 1, tzinfo=LONDON)
    end = datetime(2026, 4, 1, tzinfo=LONDON)
    outside = [take_in(junior, at=begin - timedelta(days=9)) for _ in range(2)]
    closed(outside[0], junior, begin - timedelta(seconds=1))
    closed(outside[1], junior, end)
    take_in(junior, at=AT)
    just = [take_in(junior, at=begin - timedelta(days=1)), take_in(junior, at=AT)]
    told = [closed(just[0], junior, begin)]
    told += [closed(job, junior, AT + timedelta(hours=number)) for number, job in enumerate((first, other, unpriced))]
    return [*told, closed(just[1], junior, end - timedelta(seconds=1))]


def taken(manager: User, **asked: str) -> HttpResponse:
    response = signed_in(manager).get("/figures/office/", {"month": "2026-03", **asked})
    assert response.status_code == 200
    return response


def lines_of(response: HttpResponse) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(response.content.decode("utf-8-sig"), newline="")))


def test_the_jobs_are_those_of_the_table(month: list[Job], manager: User) -> None:
    rows = lines_of(taken(manager, table="jobs"))
    assert [int(row["Job"]) for row in rows] == [job.pk for job in month]
    for row in rows:
        job = Job.objects.get(pk=row["Job"])
        assert row["Registration"] == job.vehicle.registration and row["VIN"] == job.vin
        assert row["Customer's reference"] == job.vehicle.customer_reference
        assert row["Complaint"] == (f"'{job.complaint}" if job.complaint.startswith(FORMULA) else job.complaint)
        assert row["Closed as"] == "repair declined by the customer"
        for heading, at in (("Booked in", job.opened_at), ("Closed", job.closed_at)):
            read = datetime.fromisoformat(row[f"{heading} (time, Europe/London)"])
            assert read == at and read.utcoffset() == at.astimezone(LONDON).utcoffset()  # type: ignore[union-attr]
        labour = list(Repair.objects.filter(job=job, minutes__isnull=False).values_list("minutes", flat=True))
        assert row["Labour (min)"] == (str(sum(labour)) if labour else "")
    first = rows[1]
    assert first["Mileage (miles)"] == str(round(184_300 / 1.609344))
    # 150 s by one person and 118 s by the other: 3 and 2 whole minutes. How long the step after the change took, and
    # one of the repairs, nobody knows.
    assert (first["Testing (min)"], first["Times not known"]) == ("5", "2")
    assert [row["Parts (£)"] for row in rows] == ["", "28.7475", "", "", ""]
    assert [row["Lines of parts"] for row in rows] == ["0", "2", "2", "2", "0"]


def test_the_times_are_those_of_the_tables(month: list[Job], manager: User) -> None:
    rows = lines_of(taken(manager, table="times"))
    labour = [row for row in rows if row["Work"] == "labour"]
    stored = Repair.objects.filter(job__in=month).order_by("job__closed_at", "pk")
    assert [(int(row["Job"]), row["Minutes (min)"], row["Who"]) for row in labour] == [
        (repair.job_id, "" if repair.minutes is None else str(repair.minutes), str(repair.who)) for repair in stored
    ]
    seconds: defaultdict[tuple[int, str], int] = defaultdict(int)
    for result in Result.objects.filter(run__job__in=month).select_related("run", "who"):
        seconds[result.run.job_id, str(result.who)] += result.seconds or 0
    testing = [row for row in rows if row["Work"] == "testing"]
    assert {(int(row["Job"]), row["Who"]): int(row["Minutes (min)"]) for row in testing} == {
        key: int(total / 60 + 0.5) for key, total in seconds.items()
    }
    assert [row["Steps without a time"] for row in testing] == ["0", "1"]
    of_jobs = {row["Job"]: row for row in lines_of(taken(manager, table="jobs"))}
    for number, row in of_jobs.items():
        for kind, heading in (("labour", "Labour (min)"), ("testing", "Testing (min)")):
            known = [one["Minutes (min)"] for one in rows if (one["Job"], one["Work"]) == (number, kind)]
            assert row[heading] == (str(sum(map(int, filter(None, known)))) if any(known) else "")


def test_each_part_is_one_line_of_its_job(month: list[Job], manager: User) -> None:
    rows = lines_of(taken(manager, table="parts"))
    lines = RepairPart.objects.filter(repair__job__in=month).select_related("repair")
    stored = {(line.repair.job_id, line.words.removeprefix("+"), line.quantity, line.price) for line in lines}
    read = {
        (int(row["Job"]), row["Part"].removeprefix("'+"), Decimal(row["How many"]), _amount(row["Price of one (£)"]))
        for row in rows
        if row["How many"]
    }
    assert read == stored and len(rows) == len(stored) + 1
    assert [row["Part"] for row in rows if not row["How many"]] == ["One fuse"]
    for row in rows:
        price = _amount(row["Price of one (£)"])
        assert _amount(row["Together (£)"]) == (None if price is None else Decimal(row["How many"]) * price)
    assert [row["Together (£)"] for row in rows] == ["28.50", "0.2475", "", "28.50", "28.50", ""]


def _amount(text: str) -> Decimal | None:
    return Decimal(text) if text else None


def test_the_spreadsheet_says_what_the_csv_files_say(month: list[Job], manager: User) -> None:
    body = taken(manager, **{"as": "xlsx"}).content
    book = openpyxl.load_workbook(io.BytesIO(body))
    assert book.sheetnames == ["jobs", "times", "parts"]
    for name in book.sheetnames:
        head, *rows = list(book[name].iter_rows())
        told = lines_of(taken(manager, table=name))
        assert [cell.value for cell in head] == list(told[0])
        assert len(rows) == len(told)
        for cells, line in zip(rows, told, strict=True):
            for cell, (heading, text) in zip(cells, line.items(), strict=True):
                assert cell.data_type != "f"
                if isinstance(cell.value, int | float):
                    assert Decimal(str(cell.value)) == Decimal(text), heading
                else:
                    assert _as_csv(cell.value) == _one_end_of_line(text), heading
    frame = pd.read_excel(io.BytesIO(body), sheet_name="parts")
    assert frame["Together (£)"].sum() == pytest.approx(28.5 * 3 + 0.2475)
    jobs = pd.read_excel(io.BytesIO(body), sheet_name="jobs")
    assert str(jobs["Closed (time, Europe/London)"].dtype).startswith("datetime64")
    assert jobs["Job"].tolist() == [job.pk for job in month]


def _as_csv(value: datetime | str | None) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.replace(tzinfo=LONDON).isoformat()
    return f"'{value}" if value.startswith(FORMULA) else value


def _one_end_of_line(text: str) -> str:
    """As XML has it."""
    return text.replace("\r\n", "\n").replace("\x0b", "\ufffd")


@given(
    st.text(st.characters(exclude_categories=("Cs",)), max_size=60) | st.sampled_from(FORMULA).map(lambda s: s + "1")
)
@hypothesis_settings(max_examples=examples(60))
def test_text_is_never_a_formula_in_a_spreadsheet(words: str) -> None:
    table = Table("n", "t", (Column("a", "A"), Column("b", "B", ColumnKind.COUNT)), ({"a": Cell(words), "b": Cell(3)},))
    row = next(openpyxl.load_workbook(io.BytesIO(workbook([table])))["n"].iter_rows(min_row=2))
    assert row[0].data_type != "f" and row[1].value == 3
    assert bool(row[0].quotePrefix) == words.startswith(FORMULA)
    lost = openpyxl.cell.cell.ILLEGAL_CHARACTERS_RE.sub("\ufffd", words.replace("\r\n", "\n").replace("\r", "\n"))
    assert (row[0].value or "") == lost


def test_the_page_says_the_month_in_a_sentence_and_opens_its_jobs(month: list[Job], manager: User) -> None:
    get(signed_in(manager), "/figures/office/", month="2026-03")
    page, queries = get(signed_in(manager), "/figures/office/", month="2026-03")
    text = words_of(page)
    assert "5 jobs were closed in March 2026: 55 minutes of labour, 5 of testing, and 6 lines of parts" in text
    assert "£85.75 as far as prices were recorded." in text
    assert f'href="/jobs/{month[1].pk}/"' in page.content.decode()
    assert "£28.50" in text and "0.75" in text
    for _ in range(3):
        closed(take_in(manager, at=AT), manager, AT)
    assert get(signed_in(manager), "/figures/office/", month="2026-03")[1] == queries


def test_a_month_without_jobs_and_one_that_is_none(month: list[Job], manager: User) -> None:
    client = signed_in(manager)
    assert "No job was closed in May 2026." in words_of(client.get("/figures/office/", {"month": "2026-05"}))
    wrong = client.get("/figures/office/", {"month": "2026-13", "as": "xlsx"})
    assert wrong.status_code == 400 and "A month is written as in 2026-03" in words_of(wrong)
    assert client.get("/figures/office/", {"month": "2026-03", "table": "people"}).status_code == 404


def test_whoever_takes_it_away_is_noted(month: list[Job], manager: User) -> None:
    taken(manager, table="parts")
    taken(manager, **{"as": "xlsx"})
    noted = AuditRecord.objects.filter(action="exported").order_by("pk").values_list("who", "what")
    assert list(noted) == [
        ("manager", "2026-03 for the office, parts"),
        ("manager", "2026-03 for the office, spreadsheet"),
    ]


def test_the_pages_of_the_month_lead_to_it(month: list[Job], manager: User) -> None:
    client = signed_in(manager)
    for address in ("/figures/month/2026-03/", "/figures/minutes/?until=2026-03", "/figures/?until=2026-03"):
        assert 'href="/figures/office/?month=2026-03"' in client.get(address).content.decode(), address
    assert 'href="/figures/office/"' in client.get("/").content.decode()


def test_the_command_writes_what_the_page_gives(month: list[Job], manager: User, tmp_path: Path) -> None:
    out = io.StringIO()
    call_command("export_month", "--month", "2026-03", "--format", "csv", "--out", str(tmp_path / "o.csv"), stdout=out)
    for name in ("jobs", "times", "parts"):
        assert (tmp_path / f"o-{name}.csv").read_bytes() == taken(manager, table=name).content
    assert "o-parts.csv: 6 lines of parts." in out.getvalue()
    call_command("export_month", "--month", "2026-03", "--out", str(tmp_path / "o.xlsx"), stdout=out)
    assert openpyxl.load_workbook(tmp_path / "o.xlsx").sheetnames == ["jobs", "times", "parts"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["o-jobs.csv", "o-parts.csv", "o-times.csv", "o.xlsx"]


def test_a_dry_run_writes_nothing(month: list[Job], tmp_path: Path) -> None:
    out = io.StringIO()
    file = tmp_path / "o.xlsx"
    call_command("export_month", "--month", "2026-03", "--out", str(file), "--dry-run", stdout=out)
    assert f"Would write {file}: 5 jobs, 7 times, 6 lines of parts." in out.getvalue()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("asked", "says", "code"),
    [
        (("--month", "March"), "A month is written as in 2026-03", 2),
        (("--month", ""), "Say which month", 2),
        (("--month", "2026-03", "--out", "{place}"), "is a folder", 2),
        (("--month", "2026-03", "--out", "{place}/no/such/o.xlsx"), "cannot be written", 1),
    ],
)
def test_the_command_says_what_is_wrong(db: None, tmp_path: Path, asked: tuple[str, ...], says: str, code: int) -> None:
    with pytest.raises(CommandError, match=says) as error:
        call_command("export_month", *(each.format(place=tmp_path) for each in asked), stdout=io.StringIO())
    assert error.value.returncode == code
