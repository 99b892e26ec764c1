"""Lists of vehicles from the office: what is understood, what is refused at which line, and what is stored."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from django.core.exceptions import PermissionDenied
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.test.utils import CaptureQueriesContext

from shopkb.accounts.models import AuditRecord, User
from shopkb.catalog.models import Platform
from shopkb.jobs.actions.vehicles import CHUNK, Became, ListedVehicle, VehicleDetails, outcomes_of, store_listed
from shopkb.jobs.models import Vehicle
from shopkb.jobs.vehicle_list import guessed_columns
from tests.builders import get, signed_in, take_in, words_of

AT = "/jobs/vehicles/read-in/"
VIN, OTHER_VIN = "1M8GDM9AXKP042788", "5GZCZ43D13S812715"
ODD_VIN = "1M8GDM9A1KP042788"
LIST = f"""Reg. no.,Chassis number,Model,Year,Account
sb-01 01,{VIN},Curlew Dunlin minibus,2015,A-17
SB 0102,,Knot van,2016,A-18
SB 0103,{VIN[:16]},Knot van,,A-19
SB 0104,{ODD_VIN},Turnstone minibus,,
SB 0105,,Plover,,
SB 0106,,Dunlin minibus,1815,
,,Knot van,,
SB 0107,,,2014,A-20
SB0102,,,2017,
"""


@pytest.fixture
def client(yard: None, keeper: User) -> Client:
    return signed_in(keeper)


def send(client: Client, body: str | bytes, name: str = "fleet.csv") -> HttpResponse:
    held = body if isinstance(body, bytes) else body.encode()
    return client.post(AT, {"file": SimpleUploadedFile(name, held)})


def again(client: Client, page: HttpResponse, do: str, **changed: str) -> HttpResponse:
    """The form of the page sent with one of its buttons."""
    context = page.context
    fields = {f"column-{key}": "" if place is None else str(place) for key, _words, place in context["columns"]}
    fields |= {"table": context["text"], "told": context["table"].told, "name": context["name"]}
    fields["shown"] = context["shown"]
    fields["otherwise"] = str(context["form"]["otherwise"].value() or "")
    return client.post(AT, {**fields, **{name.replace("_", "-"): value for name, value in changed.items()}, "do": do})


def wrong_of(page: HttpResponse) -> dict[int, str]:
    return {row.line: words for row, words in page.context["wrong"]}


def test_what_was_understood_is_shown_before_anything_is_stored(client: Client) -> None:
    page = send(client, LIST)
    assert page.status_code == 200
    text = words_of(page)
    assert "3 would be new, 0 would change" in text and "fleet.csv: CSV, UTF-8, separated by commas, 9 lines" in text
    assert wrong_of(page) == {
        4: "VIN: The number has 16 characters, a vehicle identification number has 17.",
        6: "The catalogue has no vehicle “Plover”.",
        7: "Year: Ensure this value is greater than or equal to 1950.",
        8: "The registration is missing.",
        9: "It is not said what vehicle it is. Name it in the list, or choose one for all such lines.",
        10: "Line 3 says something else of SB0102. Keep one line for each vehicle.",
    }
    assert "Position 9 holds 1, the other characters ask for X" in text, "looked at again, and taken in all the same"
    assert not Vehicle.objects.exists()


def test_it_is_taken_in_and_a_second_time_adds_nothing(client: Client, keeper: User) -> None:
    done = again(client, send(client, LIST), "write")
    assert "3 new, 0 changed; 0 already there as they are." in words_of(done)
    stored = list(Vehicle.objects.order_by("pk").values_list("registration", "vin", "platform__path", "year"))
    assert stored == [
        ("SB-01 01", VIN, "curlew/dunlin", 2015), ("SB 0102", "", "curlew/knot", 2016),
        ("SB 0104", ODD_VIN, "godwit/turnstone", None),
    ]  # fmt: skip
    assert list(Vehicle.objects.order_by("pk").values_list("customer_reference", flat=True)) == ["A-17", "A-18", ""]
    before = list(Vehicle.objects.values())
    page = again(client, send(client, LIST), "write")
    assert "0 new, 0 changed; 3 already there as they are." in words_of(page)
    assert list(Vehicle.objects.values()) == before
    noted = AuditRecord.objects.filter(action="vehicles").order_by("pk").values_list("who", "what")
    assert noted[0] == ("keeper", "fleet.csv: 3 new, 2 wrong")


def test_wrong_lines_come_back_as_a_file_that_can_be_put_right_and_sent(client: Client) -> None:
    page = send(client, LIST.replace("A-19", "=1+1"))
    answer = again(client, page, "wrong")
    assert answer["Content-Disposition"] == 'attachment; filename="vehicles-wrong-lines.csv"'
    text = answer.content.decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [(int(row["Line"]), row["What is wrong"]) for row in rows] == list(wrong_of(page).items())
    assert rows[0]["Reg. no."] == "SB 0103" and rows[0]["Account"] == "'=1+1"
    assert not Vehicle.objects.exists()
    right = text.replace(VIN[:16], OTHER_VIN).replace("'=1+1", "A-19")
    once_more = send(client, right)
    assert 2 not in wrong_of(once_more) and once_more.context["counts"]["new"] >= 1


def test_columns_are_guessed_shown_and_can_be_changed(client: Client) -> None:
    text = "Kennzeichen;Fahrgestell;Konto\nSB 0101;" + VIN + ";A-1\n"
    page = send(client, text.encode("cp1252"))
    assert page.status_code == 422 and "Choose the column with the registration" in words_of(page)
    assert [place for _key, _words, place in page.context["columns"]] == [None] * 5
    dunlin = str(Platform.objects.get(path="curlew/dunlin").pk)
    looked = again(client, page, "look", column_registration="0", column_vin="1", otherwise=dunlin)
    assert looked.status_code == 200 and looked.context["counts"]["new"] == 1
    twice = again(client, looked, "write", column_reference="1")
    assert twice.status_code == 422 and "“Fahrgestell” is chosen twice" in words_of(twice)
    other = again(client, looked, "write", column_reference="2")
    assert "The columns are others than were shown. Look at what is understood now." in words_of(other)
    assert not Vehicle.objects.exists()
    assert again(client, other, "write").status_code == 200
    assert Vehicle.objects.values_list("registration", "vin", "platform__path", "customer_reference").get() == (
        "SB 0101", VIN, "curlew/dunlin", "A-1",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("headings", "columns"),
    [
        (["VIN", "Registration"], {"registration": 1, "vin": 0}),
        (["Number plate", "Customer’s Reference", "Make and model"], {"registration": 0, "reference": 1, "vehicle": 2}),
        (["REGISTRATION_NO", "fleet number", "Account"], {"registration": 0, "reference": 1}),
        (["Registratoin", "Yaer"], {"registration": 0}),
        (["Colour", "", "Notes"], {}),
    ],
)
def test_a_heading_tells_what_its_column_is(headings: list[str], columns: dict[str, int]) -> None:
    assert guessed_columns(headings) == columns


def test_what_is_known_is_made_more_exact_and_never_contradicted(client: Client, keeper: User) -> None:
    job = take_in(keeper, registration="SB 0101", platform=Platform.objects.get(path="curlew"))
    take_in(keeper, registration="SB 0102", vin=VIN, year=2015)
    text = f"""Registration,VIN,Model,Year,Reference
SB-0101,,Dunlin minibus,2016,A-1
SB 0102,{OTHER_VIN},Turnstone minibus,2014,A-2
SB 0103,{VIN},Knot van,,A-3
SB 0104,{OTHER_VIN},Knot van,,
SB 0105,{OTHER_VIN},Knot van,,
"""
    page = send(client, text)
    assert wrong_of(page) == {
        3: f"SB 0102 is here already, and its VIN was {VIN}, not {OTHER_VIN} and it was of 2015, not 2014 and it was a "
        "Curlew Dunlin minibus, not a Godwit Turnstone minibus. Look at the vehicle, and book it in as it is.",
        4: "SB 0102 has this VIN already. If the vehicle carries another plate now, book it in with that.",
        6: "Line 5 gives SB 0104 the same VIN. Look which vehicle has it.",
    }
    assert "changed: year 2016, Curlew Dunlin minibus, reference A-1" in words_of(page)
    again(client, page, "write")
    vehicle = Vehicle.objects.get(pk=job.vehicle_id)
    assert (vehicle.registration, vehicle.platform.path, vehicle.year, vehicle.customer_reference) == (
        "SB 0101", "curlew/dunlin", 2016, "A-1",
    )  # fmt: skip
    less = send(client, "Registration,Model,Reference\nSB 0101,Curlew,A-9\n")
    assert "changed: reference A-9, was A-1" in words_of(less)
    again(client, less, "write")
    vehicle.refresh_from_db()
    assert (vehicle.platform.path, vehicle.customer_reference) == ("curlew/dunlin", "A-9")
    again(client, send(client, "Registration,Model,Reference\nSB 0101,,\n"), "write")
    vehicle.refresh_from_db()
    assert vehicle.customer_reference == "A-9", "an empty cell says nothing"


def test_a_name_that_may_be_several_vehicles_is_asked_about(client: Client) -> None:
    parent = Platform.objects.get(path="godwit")
    from shopkb.catalog import trees

    trees.add(Platform, key="knot", name="Knot van", parent=parent)
    wrong = wrong_of(send(client, "Registration,Model\nSB 1,Knot van\nSB 2,Curlew Knot van\nSB 3,Dunlin minbus\n"))
    assert set(wrong) == {2, 4}
    assert "“Curlew Knot van” or “Godwit Knot van”" in wrong[2]
    assert wrong[4] == "The catalogue has no vehicle “Dunlin minbus”. Is it “Curlew Dunlin minibus”?"


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"", "The file is empty."),
        (b"\x00\x01\x02" * 100, "null character"),
        (b'Registration,VIN\nSB 1,"open\n', "Line 2: the quotation marks"),
        (b"a" * (1024 * 1024 + 1), "at most 1 MiB"),
    ],
)
def test_a_file_that_is_no_table_is_refused_in_words(client: Client, body: bytes, says: str) -> None:
    answer = send(client, body)
    assert answer.status_code == 422 and says in words_of(answer)


def test_the_largest_list_fits_the_form_that_carries_it(client: Client) -> None:
    notes = "ü<&" * 80
    text = "Registration,Model,Notes\n" + "".join(f"SB {n},Knot van,{notes}\n" for n in range(2900))
    page = send(client, text)
    assert page.status_code == 200
    assert len(again(client, page, "look").content) > 1_000_000


@pytest.mark.parametrize("table", ["", "1", "1\tReg", "x\ty\n2\tz", "1\tReg\n2\t" + "a" * 600, "9" * 12 + "\ta\n1\tb"])
def test_a_table_changed_on_its_way_is_refused(client: Client, table: str) -> None:
    answer = client.post(AT, {"table": table, "column-registration": "0", "do": "write"})
    assert answer.status_code == 422 and not Vehicle.objects.exists()


@pytest.mark.parametrize("place", ["7", "-1", "x", "9" * 40])
def test_a_column_that_is_none_is_none(client: Client, place: str) -> None:
    answer = client.post(AT, {"table": "1\tReg\n2\tSB 1", "column-registration": place, "do": "write"})
    assert answer.status_code == 422 and "Choose the column with the registration" in words_of(answer)


def test_a_kind_that_is_none_stores_nothing(client: Client) -> None:
    sent = {"table": "1\tReg\n2\tSB 1", "column-registration": "0", "otherwise": "9" * 30, "do": "write"}
    sent["shown"] = "0||||·" + "9" * 30
    assert client.post(AT, sent).status_code == 422 and not Vehicle.objects.exists()


def test_a_row_with_cells_too_many_is_wrong(client: Client) -> None:
    page = send(client, "Registration,Model\n" + "SB 1,Knot van\n" * 25 + "SB 2,Knot van,more\n")
    assert wrong_of(page) == {27: "It has 3 cells and the headings are 2. A separator may stand in a cell."}


def test_a_spreadsheet_is_read_the_same(client: Client) -> None:
    book = openpyxl.Workbook()
    for row in csv.reader(io.StringIO(LIST)):
        book.active.append([int(cell) if re.fullmatch(r"\d{4}", cell) else cell or None for cell in row])
    out = io.BytesIO()
    book.save(out)
    page = send(client, out.getvalue(), "fleet.xlsx")
    assert wrong_of(page) == wrong_of(send(client, LIST))


def test_chunks_say_the_same_whether_they_are_stored_or_looked_at(yard: None, keeper: User) -> None:
    knot = Platform.objects.get(path="curlew/knot")

    def line(number: int) -> ListedVehicle:
        return ListedVehicle(number + 2, VehicleDetails(f"SB {number % (CHUNK + 20)}", knot, year=2000 + number % 3))

    listed = [line(number) for number in range(2 * CHUNK + 7)]
    looked = [outcome for chunk in outcomes_of(listed) for outcome in chunk]
    assert not Vehicle.objects.exists()
    chunks = list(store_listed(listed, by=keeper, source="x"))
    assert [outcome for chunk in chunks for outcome in chunk] == looked
    assert [len(chunk) for chunk in chunks] == [CHUNK, CHUNK, 7]
    assert Vehicle.objects.count() == CHUNK + 20 == sum(outcome.became is Became.NEW for outcome in looked)


def test_looking_costs_two_queries_for_each_chunk(yard: None) -> None:
    knot = Platform.objects.get(path="curlew/knot")
    listed = [
        ListedVehicle(number, VehicleDetails(f"SB {number}", knot, vin=f"V{number}")) for number in range(2 * CHUNK)
    ]
    with CaptureQueriesContext(connection) as asked:
        list(outcomes_of(listed))
    assert len(asked) == 4


def test_only_a_keeper_reads_in(yard: None, keeper: User, manager: User) -> None:
    with pytest.raises(PermissionDenied, match="These roles may: keeper"):
        list(store_listed([], by=manager, source="x"))
    assert signed_in(manager).get(AT).status_code == 403
    assert 'href="/jobs/vehicles/read-in/"' in signed_in(keeper).get("/").content.decode()


def test_the_reference_is_shown_and_found(client: Client, keeper: User) -> None:
    job = take_in(keeper, registration="SB 0101")
    again(client, send(client, "Registration,Account\nSB 0101,Ferry-77\n"), "write")
    assert "Customer's reference Ferry-77" in words_of(get(client, f"/figures/vehicles/{job.vehicle_id}/")[0])
    assert f"/jobs/{job.pk}/" in client.get("/jobs/", {"words": "ferry-77"}).content.decode()


def run(*asked: Any) -> tuple[str, str, int]:
    out, err = io.StringIO(), io.StringIO()
    try:
        call_command("import_vehicles", *map(str, asked), stdout=out, stderr=err)
    except SystemExit as end:
        return out.getvalue(), err.getvalue(), int(end.code or 0)
    return out.getvalue(), err.getvalue(), 0


@pytest.fixture
def fleet(yard: None, keeper: User, tmp_path: Path) -> Path:
    file = tmp_path / "fleet.csv"
    file.write_bytes(LIST.encode("utf-16"))
    return file


def test_the_command_tells_stores_and_hands_wrong_lines_back(fleet: Path) -> None:
    out, err, code = run(fleet, "--by", "keeper", "--dry-run", "--wrong", fleet.with_name("wrong.csv"))
    assert code == 1 and "Would be: 3 new, 0 changed, 0 already there, 6 wrong." in out
    assert "Nothing was stored: dry run." in out and "line 6: The catalogue has no vehicle “Plover”." in out
    assert "UTF-16, separated by commas, 9 lines of data" in out and "Customer's reference: “Account”" in out
    assert err == "5 of 5 lines\n"
    assert not Vehicle.objects.exists() and not fleet.with_name("wrong.csv").exists()
    out, _err, code = run(fleet, "--by", "keeper", "--wrong", fleet.with_name("wrong.csv"))
    assert code == 1 and "3 new, 0 changed, 0 already there, 6 wrong." in out
    assert fleet.with_name("wrong.csv").read_text(encoding="utf-8-sig").count("\n") == 7
    out, _err, code = run(fleet, "--by", "keeper", "--otherwise", "Knot van")
    assert code == 1 and "1 new, 0 changed, 3 already there, 5 wrong." in out
    fleet.write_text("Registration\nSB 0101\n")
    assert run(fleet, "--by", "keeper")[2] == 0
    assert AuditRecord.objects.filter(action="vehicles", who="keeper").count() == 3


def test_the_command_takes_columns(fleet: Path) -> None:
    out, _err, _code = run(fleet, "--by", "keeper", "--dry-run", "--column", "reference=", "--column", "year=Account")
    assert "Customer's reference: not in this file" in out and "Year: “Account”" in out


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (("{file}", "--by", "nobody"), "no active person with the log-in 'nobody'"),
        (("{file}.not", "--by", "keeper"), "No such file"),
        (("{file}", "--by", "keeper", "--column", "plate=Reg"), "'plate' is none of registration"),
        (("{file}", "--by", "keeper", "--column", "vin=Nothing"), "no such heading. It has: Reg. no."),
        (("{file}", "--by", "keeper", "--otherwise", "Plover"), "--otherwise: The catalogue has no vehicle"),
        (("{file}", "--by", "keeper", "--column", "registration="), "Choose the column with the registration"),
        (("{file}", "--by", "junior"), "Your role does not let you read vehicles in from a file"),
    ],
)
def test_the_command_says_what_was_asked_wrongly(fleet: Path, junior: User, asked: tuple[str, ...], says: str) -> None:
    with pytest.raises(CommandError, match=re.escape(says)) as error:
        run(*(each.format(file=fleet) for each in asked))
    assert error.value.returncode == 2 and not Vehicle.objects.exists()
