"""Taking a vehicle in. VINs by 49 CFR 565 and fault codes by ISO 15031-6: examples in tests/data/published."""

from __future__ import annotations

import csv
import uuid
from pathlib import Path

import pytest
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.catalog.models import Platform, Symptom
from shopkb.jobs.actions import closing, intake
from shopkb.jobs.actions.intake import VehicleDiffers
from shopkb.jobs.errors import IdempotencyConflict, NotPossible
from shopkb.jobs.forms import IntakeForm
from shopkb.jobs.models import Job, Vehicle
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import signed_in
from tests.conftest import NOW

PUBLISHED = Path(__file__).parents[1] / "data" / "published"


def rows(name: str) -> list[dict[str, str]]:
    with (PUBLISHED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def typed(**changes: object) -> dict[str, object]:
    fields: dict[str, object] = {
        "registration": " sb   77 ",
        "platform": Platform.objects.get(path="curlew/dunlin").pk,
        "complaint": "No horn.",
        "complaint_verified": "yes",
        "client_id": uuid.uuid4(),
    }
    return fields | changes


def test_a_job_is_opened_with_what_was_typed(yard: None, junior: User) -> None:
    form = IntakeForm(
        typed(
            vin="1m8gdm9axkp042788",
            year="2019",
            odometer="74875",
            circumstances="In rain.",
            symptom=Symptom.objects.get(key="horn-silent").pk,
            codes="b0900, P0480;p0480",
        )
    )
    assert form.is_valid(), form.errors
    job = intake.open_job(form.intake(), by=junior, at=NOW)
    job.refresh_from_db()
    assert (job.vehicle.registration, job.vehicle.vin, job.vehicle.year) == ("SB 77", "1M8GDM9AXKP042788", 2019)
    assert (job.codes, job.odometer, job.circumstances) == (["B0900", "P0480"], 120500, "In rain.")
    assert (job.symptom.key, job.complaint_verified, job.opened_by) == ("horn-silent", "yes", junior)
    assert job.is_open


def test_the_same_vehicle_is_one_and_is_brought_up_to_date(yard: None, junior: User) -> None:
    builders.take_in(junior, registration="SB 1", vin="1M8GDM9AXKP042788", year=2019)
    knot = Platform.objects.get(path="curlew/knot")
    builders.take_in(junior, registration=" sb  1", platform=knot, surely=True)
    vehicle = Vehicle.objects.get()
    assert (vehicle.vin, vehicle.year, vehicle.platform) == ("1M8GDM9AXKP042788", 2019, knot)
    assert [job.platform.path for job in Job.objects.order_by("pk")] == ["curlew/dunlin", "curlew/knot"]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"complaint": " "}, "Write the complaint in the customer's words."),
        ({"registration": " "}, "Write the registration: it is how the vehicle is found again."),
    ],
    ids=["complaint", "registration"],
)
def test_what_must_be_said(yard: None, junior: User, changes: dict[str, object], said: str) -> None:
    with pytest.raises(NotPossible) as refused:
        builders.take_in(junior, **changes)
    assert str(refused.value) == said
    assert not Job.objects.exists()


def test_the_same_intake_twice_is_one_job(yard: None, junior: User) -> None:
    sent = uuid.uuid4()
    one = builders.take_in(junior, registration="SB 1", client_id=sent)
    assert builders.take_in(junior, registration="sb 1", client_id=sent) == one
    assert Job.objects.count() == 1


@pytest.mark.parametrize("change", [{"registration": "SB 2"}, {"complaint": "No heat."}], ids=["vehicle", "complaint"])
def test_an_intake_sent_before_for_something_else_is_refused(
    yard: None, junior: User, change: dict[str, object]
) -> None:
    body: dict[str, object] = {"registration": "SB 1", "client_id": uuid.uuid4()}
    builders.take_in(junior, **body)  # type: ignore[arg-type]
    with pytest.raises(IdempotencyConflict) as refused:
        builders.take_in(junior, **body | change)  # type: ignore[arg-type]
    assert str(refused.value) == "Another job was opened with this. Reload the page and take the vehicle in again."
    assert Vehicle.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_ten_intakes_at_once_are_one_job(yard: None, junior: User) -> None:
    sent = uuid.uuid4()
    replies = builders.all_at_once(10, lambda _n: builders.take_in(junior, registration="SB 1", client_id=sent).pk)
    assert replies == [Job.objects.get().pk] * 10


VIN, OTHER_VIN = "1M8GDM9AXKP042788", "1M8GDM9AXKP042789"
"""The first is the worked example of the check digit in 49 CFR 565."""


def test_another_vehicle_under_a_known_registration_is_asked_about(yard: None, junior: User) -> None:
    """A mistyped registration would rewrite what earlier jobs say of their vehicle."""
    first = builders.take_in(junior, registration="SB 1", vin=VIN, year=2012)
    for said, words in (
        ({"vin": OTHER_VIN}, f"its VIN was {VIN}, not {OTHER_VIN}."),
        ({"year": 2015}, "it was of 2012, not 2015."),
        ({"platform": Platform.objects.get(path="godwit/turnstone")},
         "it was a Curlew Dunlin minibus, not a Godwit Turnstone minibus."),
    ):  # fmt: skip
        with pytest.raises(VehicleDiffers) as refused:
            builders.take_in(junior, registration="SB 1", **said)
        assert str(refused.value).startswith(f"When SB 1 was here before, {words}")
    assert Job.objects.count() == 1
    later = builders.take_in(junior, registration="SB 1", vin=OTHER_VIN, year=2015, surely=True)
    first.refresh_from_db()
    assert (first.vin, first.year, later.vin, later.year) == (VIN, 2012, OTHER_VIN, 2015)
    assert later.vehicle_id == first.vehicle_id


def test_what_is_not_said_or_said_more_exactly_is_no_difference(yard: None, junior: User) -> None:
    builders.take_in(junior, registration="SB 1", vin=VIN, platform=Platform.objects.get(path="curlew"))
    later = builders.take_in(junior, registration="SB 1", year=2012)
    assert (later.vin, later.year, later.platform.path) == (VIN, 2012, "curlew/dunlin")


def test_the_page_asks_whether_the_registration_is_right(yard: None, junior: User) -> None:
    first = builders.take_in(junior, registration="SB 1", vin=VIN)
    client = signed_in(junior)
    sent = {
        "registration": "SB 1", "vin": OTHER_VIN, "platform": first.platform_id, "complaint": "No lights.",
        "complaint_verified": "not-yet", "client_id": str(uuid.uuid4()),
    }  # fmt: skip
    assert "surely" not in client.get(reverse("jobs:new")).content.decode()
    asked = client.post(reverse("jobs:new"), sent)
    assert asked.status_code == 422
    page = asked.content.decode()
    assert "The registration is right, and so is the rest" in page
    assert "No lights." in page
    assert client.post(reverse("jobs:new"), {**sent, "surely": "on"}).status_code == 302
    job = Job.objects.get(complaint="No lights.")
    assert VIN in client.get(reverse("jobs:write-up", args=[first.pk])).content.decode()
    assert OTHER_VIN in client.get(reverse("jobs:write-up", args=[job.pk])).content.decode()


def test_a_comeback_is_linked(horn: Procedure, junior: User) -> None:
    first = builders.cured_job(horn, junior)
    later = builders.take_in(junior, comeback_of=first)
    assert later.comeback_of == first
    assert list(first.comebacks.all()) == [later]


def test_an_open_job_has_no_comeback(yard: None, junior: User) -> None:
    first = builders.take_in(junior)
    with pytest.raises(NotPossible) as refused:
        builders.take_in(junior, comeback_of=first)
    assert str(refused.value) == f"Job {first.pk} is still open: go on there instead of opening a comeback."


def test_a_comeback_is_the_same_vehicle(horn: Procedure, junior: User) -> None:
    first = builders.cured_job(horn, junior)
    with pytest.raises(NotPossible) as refused:
        builders.take_in(junior, comeback_of=first, registration="XX 1")
    assert str(refused.value) == (
        f"Job {first.pk} was another vehicle ({first.vehicle.registration}); a comeback is the same vehicle again."
    )
    assert Job.objects.count() == 1


def test_the_complaint_is_noted_while_the_job_is_open(yard: None, junior: User) -> None:
    job = builders.take_in(junior)
    intake.note_complaint(job, Job.Verified.NO, by=junior)
    job.refresh_from_db()
    assert job.complaint_verified == "no"
    closing.close_job(job, Job.Disposition.NOT_PRESENT, by=junior, at=NOW)
    with pytest.raises(NotPossible) as refused:
        intake.note_complaint(job, Job.Verified.YES, by=junior)
    assert str(refused.value) == f"Job {job.pk} is closed; reopen it to change what was taken down."


@pytest.mark.parametrize("row", rows("vin_examples.csv"), ids=lambda row: row["vin"])
def test_published_vins(yard: None, row: dict[str, str]) -> None:
    """A wrong check digit is told on the job's page and never refused (ISO 3779); a malformed number is refused."""
    form = IntakeForm(typed(vin=row["vin"]))
    refused = row["expected"] in ("bad_length", "bad_character", "valid_but_nonsense")
    assert ("vin" in form.errors) == refused
    assert refused or form.cleaned_data["vin"] == row["vin"]


@pytest.mark.parametrize(
    ("vin", "said"),
    [
        ("1G4AH59H45G11834", "The number has 16 characters, a vehicle identification number has 17"),
        ("1G4AH59H45GO18341", "Position 12 holds O, which is never used: it may be the figure 0"),
    ],
)
def test_a_malformed_vin_is_refused_in_words(yard: None, vin: str, said: str) -> None:
    assert IntakeForm(typed(vin=vin)).errors["vin"] == [said]


@pytest.mark.parametrize("row", rows("dtc_encoding_examples.csv"), ids=lambda row: row["code"])
def test_published_trouble_codes_are_taken(yard: None, row: dict[str, str]) -> None:
    form = IntakeForm(typed(codes=f" {row['code'].lower()} "))
    assert form.is_valid()
    assert form.cleaned_data["codes"] == [row["code"]]


@pytest.mark.parametrize("row", rows("dtc_bad_examples.csv"), ids=lambda row: row["why_refused"][:20])
def test_bad_trouble_codes_are_refused(yard: None, row: dict[str, str]) -> None:
    """Lower case is folded, nothing typed is no code; everything else in the list is refused."""
    form = IntakeForm(typed(codes=row["text"]))
    taken = {"p0480": ["P0480"], "": []}.get(row["text"])
    assert form.is_valid() == (taken is not None)
    assert form.cleaned_data.get("codes") == taken


def test_a_bad_trouble_code_is_refused_in_words(yard: None) -> None:
    said = "'PO480' has a letter O. Write the figure 0: P0480"
    assert IntakeForm(typed(codes="P0217 PO480")).errors["codes"] == [said]
