"""Taking a vehicle in. VINs by 49 CFR 565 and fault codes by ISO 15031-6: examples in tests/data/published."""

from __future__ import annotations

import csv
import uuid
from datetime import timedelta
from pathlib import Path

import pytest
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.catalog.models import Platform, Symptom
from shopkb.evidence.models import Tally
from shopkb.jobs.actions import closing, intake
from shopkb.jobs.actions.intake import IntakeDoubted
from shopkb.jobs.errors import IdempotencyConflict, NotPossible
from shopkb.jobs.forms.intake import IntakeForm
from shopkb.jobs.models import Event, Job, Vehicle
from shopkb.procedures.models import Procedure
from shopkb.upkeep.chains import broken_chains
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
        with pytest.raises(IntakeDoubted) as refused:
            builders.take_in(junior, registration="SB 1", **said)
        assert str(refused.value).startswith(f"When SB 1 was here before, {words}")
    assert Job.objects.count() == 1
    later = builders.take_in(junior, registration="SB 1", vin=OTHER_VIN, year=2015, surely=True)
    first.refresh_from_db()
    assert (first.vin, first.year, later.vin, later.year) == (VIN, 2012, OTHER_VIN, 2015)
    assert later.vehicle_id == first.vehicle_id


def test_what_is_not_said_or_said_more_exactly_is_no_difference(yard: None, junior: User) -> None:
    first = builders.take_in(junior, registration="SB 1", vin=VIN, platform=Platform.objects.get(path="curlew"))
    closing.close_job(first, Job.Disposition.UNSOLVED, by=junior, at=NOW)
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
    assert "All of it is right" in page
    assert "No lights." in page
    shown = asked.context["form"]["doubts_shown"].value()
    assert client.post(reverse("jobs:new"), {**sent, "surely": "on", "doubts_shown": shown}).status_code == 302
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


class TestDoubts:
    """What does not fit what is known of the vehicle is asked about, once, and the answer is on record."""

    def said_of(self, junior: User, **said: object) -> str:
        with pytest.raises(IntakeDoubted) as refused:
            builders.take_in(junior, registration="SB 1", **said)
        return str(refused.value)

    def test_a_mileage_that_falls(self, yard: None, junior: User) -> None:
        first = builders.take_in(junior, registration="SB 1", odometer=201_168)
        closing.close_job(first, Job.Disposition.UNSOLVED, by=junior, at=NOW)
        said = self.said_of(junior, odometer=193_121)
        assert "its mileage was 125,000 miles; 120,000 miles is less." in said
        assert builders.take_in(junior, registration="SB 1", odometer=201_168).odometer == 201_168

    def test_a_second_open_job(self, yard: None, junior: User) -> None:
        first = builders.take_in(junior, registration="SB 1")
        said = self.said_of(junior)
        assert f'Job {first.pk} of SB 1 is still open ("The horn does not sound.").' in said
        assert Job.objects.count() == 1

    def test_a_comeback_for_another_complaint(self, yard: None, junior: User) -> None:
        horn = Symptom.objects.get(key="horn-silent")
        other = Symptom.objects.create(key="runs-hot", name="Engine runs hot")
        first = builders.take_in(junior, registration="SB 1", symptom=horn)
        closing.close_job(first, Job.Disposition.UNSOLVED, by=junior, at=NOW)
        assert "was for another complaint" in self.said_of(junior, comeback_of=first, symptom=other)

    def test_what_was_said_to_be_right_is_on_record(self, yard: None, junior: User) -> None:
        builders.take_in(junior, registration="SB 1", odometer=201_168)
        later = builders.take_in(junior, registration="SB 1", odometer=193_121, surely=True)
        event = Event.objects.get(job=later)
        assert (event.kind, event.who) == (Event.Kind.CONFIRMED, junior)
        assert "120,000 miles is less" in event.words
        assert "is still open" in event.words
        assert list(broken_chains()) == []

    def test_a_tick_answers_only_the_doubts_that_were_shown(self, yard: None, junior: User) -> None:
        first = builders.take_in(junior, registration="SB 1", vin=VIN, odometer=201_168)
        closing.close_job(first, Job.Disposition.UNSOLVED, by=junior, at=NOW)
        client, address = signed_in(junior), reverse("jobs:new")
        sent = typed(registration="SB 1", vin=OTHER_VIN, client_id=str(uuid.uuid4()))
        shown = client.post(address, sent).context["form"]["doubts_shown"].value()
        both = client.post(address, {**sent, "surely": "on", "doubts_shown": shown, "odometer": "1000"})
        assert both.status_code == 422
        assert "1,000 miles is less" in builders.words_of(both)
        assert not both.context["form"]["surely"].value()
        shown = both.context["form"]["doubts_shown"].value()
        done = client.post(address, {**sent, "surely": "on", "doubts_shown": shown, "odometer": "1000"})
        assert done.status_code == 302

    def test_the_same_sent_twice_is_not_doubted(self, yard: None, junior: User) -> None:
        sent = uuid.uuid4()
        one = builders.take_in(junior, registration="SB 1", client_id=sent)
        assert builders.take_in(junior, registration="SB 1", client_id=sent) == one


class TestKnownVehicle:
    """What the page that books a vehicle in says of it before anything is sent."""

    def shown(self, junior: User, **asked: object) -> str:
        response, queries = builders.get(
            signed_in(junior), reverse("jobs:known"), **{k: str(v) for k, v in asked.items()}
        )
        assert queries <= 11  # seven for the page, eight where a fault was left; who read is noted once a day
        return builders.words_of(response)

    def test_its_jobs_its_mileage_and_what_may_have_come_back(self, horn: Procedure, junior: User) -> None:
        job = builders.cured_job(horn, junior)
        Job.objects.filter(pk=job.pk).update(odometer=201_168, closed_at=timezone.now(), opened_at=timezone.now())
        plate = job.vehicle.registration.lower()
        said = self.shown(junior, registration=f" {plate} ")
        assert "has been here before" in said
        assert "125,000 miles" in said
        assert f"yes, job {job.pk} of" in said
        assert "Horn: open circuit" in said
        Job.objects.filter(pk=job.pk).update(closed_at=timezone.now() - timedelta(days=91))
        assert "has been here before" in (late := self.shown(junior, registration=plate))
        assert "come back" not in late

    @pytest.mark.parametrize("typed", ["KX61VRD", "kx61-vrd", " k x61 vrd"])
    def test_whatever_blanks_and_hyphens_are_typed(self, yard: None, junior: User, typed: str) -> None:
        job = builders.take_in(junior, registration="KX61 VRD")
        assert "KX61 VRD has been here before" in self.shown(junior, registration=typed)
        assert list(Job.objects.holding(typed.strip())) == [job]
        assert builders.take_in(junior, registration=typed, surely=True).vehicle == job.vehicle
        assert Vehicle.objects.get().registration == "KX61 VRD"

    def test_of_two_that_differ_by_blanks_the_exact_one_is_meant_else_the_newest(
        self, yard: None, junior: User
    ) -> None:
        platform = Platform.objects.get(path="curlew/dunlin")
        for written in ("KX61 VRD", "KX61VRD", "KX 61 VRD"):
            Vehicle.objects.create(registration=written, platform=platform)
        for typed, meant in (("kx61 vrd", "KX61 VRD"), ("kx61vrd", "KX61VRD"), ("KX61-VRD", "KX 61 VRD")):
            assert f"{meant} has been here before" in self.shown(junior, registration=typed)
            assert builders.take_in(junior, registration=typed, surely=True).vehicle.registration == meant

    def test_by_vin_too(self, yard: None, junior: User) -> None:
        job = builders.take_in(junior, vin=VIN)
        assert f"{job.vehicle} has been here before" in self.shown(junior, registration="XX 1", vin=VIN.lower())

    def test_an_open_job_is_one_press_away(self, yard: None, junior: User) -> None:
        job = builders.take_in(junior)
        assert f"Go on with job {job.pk}" in self.shown(junior, registration=job.vehicle)

    def test_only_the_same_or_a_related_symptom_comes_back(self, yard: None, junior: User) -> None:
        horn, hoarse = Symptom.objects.get(key="horn-silent"), Symptom.objects.get(key="horn-hoarse")
        other = Symptom.objects.create(key="runs-hot", name="Engine runs hot")
        job = builders.take_in(junior, symptom=horn)
        Job.objects.filter(pk=job.pk).update(state="closed", disposition="cured", closed_at=timezone.now())
        offered = {row.key: "come back?" in self.shown(junior, registration=job.vehicle, symptom=row.pk)
                   for row in (horn, hoarse, other)}  # fmt: skip
        assert offered == {"horn-silent": True, "horn-hoarse": True, "runs-hot": False}

    def test_one_chosen_before_is_offered_however_old_and_on_its_own_vehicle_only(
        self, horn: Procedure, junior: User
    ) -> None:
        job = builders.cured_job(horn, junior)  # closed long before the comeback period
        other = builders.take_in(junior)
        assert f"yes, job {job.pk}" in self.shown(junior, registration=job.vehicle, comeback_of=job.pk)
        assert "come back" not in self.shown(junior, registration=other.vehicle, comeback_of=job.pk)

    def test_nobody_knows_it(self, yard: None, junior: User) -> None:
        assert self.shown(junior, registration="SB 1", vin="short", symptom="9" * 30, comeback_of="x") == ""


def test_that_it_came_back_is_taken_back_in_one_press(horn: Procedure, junior: User) -> None:
    earlier = builders.cured_job(horn, junior)
    before = list(Tally.objects.order_by("pk").values("came_back", "rejected", "count"))
    back = builders.take_in(junior, comeback_of=earlier)
    assert list(Tally.objects.order_by("pk").values("came_back", "rejected", "count")) != before
    client = signed_in(junior)
    assert "Not a comeback after all" in builders.words_of(client.get(reverse("jobs:job", args=[back.pk])))
    client.post(reverse("jobs:not-a-comeback", args=[back.pk]))
    back.refresh_from_db()
    assert back.comeback_of is None
    assert list(Tally.objects.filter(count__gt=0).order_by("pk").values("came_back", "rejected", "count")) == before
    assert Event.objects.get(job=back).words == f"Was a comeback of job {earlier.pk}."
    with pytest.raises(NotPossible, match="is not a comeback"):
        intake.not_a_comeback(back, by=junior, at=NOW)


def test_words_of_the_lookup_arrive_at_intake(horn: Procedure, junior: User) -> None:
    client = signed_in(junior)
    page = client.get(reverse("procedures:list"), {"words": "no horn & rain"}).content.decode()
    address = f"{reverse('procedures:procedure', args=[horn.key])}?words=no%20horn%20%26%20rain"
    assert address in page
    offered = client.get(address).content.decode()
    assert f"{reverse('jobs:new')}?procedure=horn-silent&amp;words=no%20horn%20%26%20rain" in offered
    assert (
        "no horn &amp; rain</textarea>" in client.get(reverse("jobs:new"), {"words": "no horn & rain"}).content.decode()
    )


def test_a_comeback_that_is_no_job_is_refused_in_words(yard: None, junior: User) -> None:
    for odd in ("9" * 19, "x", "12"):
        form = IntakeForm(typed(comeback_of=odd))
        assert not form.is_valid()
        assert form.errors["comeback_of"] == [f"There is no job {odd}. Choose one of those shown, or none."]
