"""Booking in, repairs, checks and hand-overs kept by a device: the same record as with the network, once."""

from __future__ import annotations

import json
import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.db import transaction
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shopkb.accounts.models import User
from shopkb.catalog.models import Platform
from shopkb.jobs.actions import closing
from shopkb.jobs.models import HandOver, Job, Repair, RepairPart, Result, Run, Verification
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure
from shopkb.upkeep.invariants import broken_invariants
from tests import builders
from tests.builders import TO_GROUND, follow, signed_in, words_of

Item = dict[str, Any]


def kept(kind: str, run: Run | None = None, repair: str = "", **fields: object) -> Item:
    """An item as the device makes it."""
    lists = {name: value if isinstance(value, list) else [value] for name, value in fields.items()}
    return {"kind": kind, "client_id": str(uuid.uuid4()), "run": str(run.pk) if run else "", "repair": repair,
            "fields": lists}  # fmt: skip


def send(client: Client, item: Item) -> HttpResponse:
    return client.post(reverse("jobs:take-form"), json.dumps(item), content_type="application/json")  # type: ignore[return-value]


def booking(registration: str = "sb 900", **more: object) -> Item:
    platform = Platform.objects.get(path="curlew/dunlin").pk
    said = {"registration": registration, "platform": platform, "complaint": "Horn dumb.", "complaint_verified": "yes"}
    return kept("intake", **{**said, **more})


def mending(run: Run, **more: object) -> Item:
    cause = builders.cause_for("body/horn/earth", "high resistance").pk
    said = {"cause": cause, "proof": "measured", "done": ["Remake the joint"], "correction": "Greased.", "minutes": "9",
            "part-TOTAL_FORMS": "1", "part-0-words": "Eyelet", "part-0-quantity": "2"}  # fmt: skip
    return kept("repair", run, **{**said, **more})


def checking(run: Run, repair: Item, cured: str = "cured") -> Item:
    return kept("verify", run, repair["client_id"], cured=cured, seen="Sound the horn ten times", how="In rain too.")


def test_the_whole_job_is_stored_as_the_pages_store_it(run: Run, junior: User, senior: User) -> None:
    end = follow(run, TO_GROUND, junior)[-1]
    client, repair = signed_in(junior), mending(run)
    items = [booking(), repair, checking(run, repair),
             kept("hand-over", run, receiver=senior.pk, reason="End of the shift.")]  # fmt: skip
    for item in items:
        for _ in range(2):
            reply = send(client, item)
            assert reply.json() == {"stored": True, "counts": True, "why": ""}
    booked, stored = Job.objects.exclude(pk=run.job_id).get(), Repair.objects.get()
    assert (booked.vehicle.registration, booked.complaint, booked.complaint_verified) == ("SB 900", "Horn dumb.", "yes")
    assert (stored.result, stored.correction, stored.minutes) == (end, "Remake the joint.\nGreased.", 9)
    assert (stored.weak, stored.parts) == ("no meter was named" if stored.weak else "", "2 x Eyelet")
    assert Verification.objects.get().how == "Sound the horn ten times.\nIn rain too."
    assert HandOver.objects.get().receiver == senior
    assert broken_invariants() == []


@pytest.mark.parametrize(
    ("change", "why"),
    [({"kind": "close"}, "not a form that a device keeps"), ({"kind": "settle"}, "not a form that a device keeps"),
     ({"client_id": "1"}, "not a form that a device keeps"),
     ({"fields": []}, "not a form that a device keeps"), ({"given_locked": "yes"}, "while the tablet was locked"),
     ({"repair": ""}, "which repair it checks"), ({"repair": str(uuid.uuid4())}, "not stored"),
     ({"fields": {"cured": "yes"}}, "Select a valid choice"),
     ({"fields": {"cured": ["cured"]}}, "Say how it was checked"),
     ({"fields": {"cured": ["cured"], "how": ["a\x00b"]}}, "no text")],
    ids=["kind", "other-kind", "id", "fields", "locked", "no-repair", "other-repair", "choice", "how", "no-text"],
)  # fmt: skip
def test_what_cannot_be_stored_is_told_and_stays_on_the_device(run: Run, junior: User, change: Item, why: str) -> None:
    client, repair = signed_in(junior), mending(run)
    send(client, repair)
    reply = send(client, checking(run, repair) | change)
    assert reply.status_code == 422
    assert why in reply.json()["error"]
    assert not Verification.objects.exists()


@pytest.mark.parametrize("deep", [200, 400, 600, 800, 850, 900, 950])
def test_a_field_that_is_no_text_is_refused_in_words(run: Run, junior: User, deep: int) -> None:
    """However deep: what can be read as JSON need not be shown as text."""
    item = json.dumps(booking()).replace('["Horn dumb."]', "[" * deep + "1" + "]" * deep)
    client = signed_in(junior)
    reply = client.post(reverse("jobs:take-form"), item, content_type="application/json")
    assert (reply.status_code, Job.objects.count()) == (422, 1)
    assert "not a form that a device keeps" in reply.json()["error"]


def test_a_booking_that_does_not_fit_what_is_known_is_told_in_words(run: Run, junior: User) -> None:
    client = signed_in(junior)
    reply = send(client, booking(run.job.vehicle.registration))
    assert reply.status_code == 422
    assert "is still open" in reply.json()["error"]
    assert "Book it in again with the network" in reply.json()["error"]


def test_under_the_same_id_nothing_else_is_stored(run: Run, junior: User) -> None:
    client, repair = signed_in(junior), mending(run)
    assert send(client, repair).status_code == 200
    other = {**repair, "fields": {**repair["fields"], "correction": ["Hit it."]}}
    assert send(client, other).status_code == 409


@pytest.mark.parametrize("changed", ["reason", "note", "excluded", "off_vehicle"])
def test_a_hand_over_with_other_words_is_not_taken_for_the_one_before(
    run: Run, junior: User, senior: User, changed: str
) -> None:
    client, item = signed_in(junior), kept("hand-over", run, receiver=senior.pk, reason="End of the shift.")
    assert [send(client, item).status_code for _ in range(2)] == [200, 200]
    reply = send(client, {**item, "fields": {**item["fields"], changed: ["The battery is off."]}})
    assert reply.status_code == 409
    assert "other words" in reply.json()["error"]


def test_nobody_sends_without_signing_in(run: Run) -> None:
    assert send(Client(), mending(run)).status_code == 401


def test_a_closed_job_takes_nothing_more_and_loses_nothing(run: Run, junior: User) -> None:
    closing.close_job(run.job, Job.Disposition.DECLINED, by=junior, at=timezone.now())
    reply = send(signed_in(junior), mending(run))
    assert (reply.status_code, Repair.objects.count()) == (422, 0)
    assert "is closed" in reply.json()["error"]


def test_vehicles_of_the_last_ninety_days_travel_with_the_device(run: Run, junior: User) -> None:
    now = timezone.now()
    recent = builders.take_in(junior, at=now - timedelta(days=80), registration="SB 1", year=2019)
    builders.take_in(junior, at=now - timedelta(days=100), registration="SB 2")
    known = {
        row["registration"]: row for row in signed_in(junior).get(reverse("jobs:known-vehicles")).json()["vehicles"]
    }
    assert "SB 2" not in known
    assert known["SB 1"] == {"registration": "SB 1", "vin": "", "year": 2019, "platform": recent.platform_id}


def test_pages_for_the_device_hold_every_cause_and_point(run: Run, junior: User) -> None:
    client = signed_in(junior)
    page = words_of(client.get(reverse("jobs:pack-repair", args=[run.pk])))
    for words in ("Horn: open circuit", "Horn relay: burnt contacts", "Remake the joint", "Fit a new horn"):
        assert words in page
    assert "Sound the horn ten times" in words_of(client.get(reverse("jobs:pack-verify", args=[run.pk])))


# Two devices


def record() -> list[object]:
    """What is stored, without what differs from one making to the next."""
    return [
        sorted(Job.objects.values_list("vehicle__registration", "complaint", "opened_by__username")),
        sorted(Result.objects.not_retracted().values_list("run__job__complaint", "step", "outcome", "who__username")),
        sorted(Repair.objects.values_list("correction", "parts", "result__step", "who__username")),
        sorted(Verification.objects.values_list("repair__correction", "cured", "how", "who__username")),
        sorted(HandOver.objects.values_list("reason", "giver__username")),
        sorted(RepairPart.objects.values_list("words", "quantity")),
    ]


def day_of(number: int, run: Run, to: User) -> list[Item]:
    """What one device keeps on a job of its own, in order."""
    answers = [
        {"kind": "answer", "client_id": str(uuid.uuid4()), "step": step, "outcome": outcome, "typed": typed,
         "replaces": "", "run": str(run.pk)}
        for step, outcome, typed in TO_GROUND
    ]  # fmt: skip
    first, second = mending(run, correction=f"First {number}."), mending(run, correction=f"Second {number}.")
    return [
        booking(f"SB 10{number}"), *answers, first,
        checking(run, first, "not-cured"), second, checking(run, second),
        kept("hand-over", run, receiver=to.pk, reason=f"Shift {number} ends."),
    ]  # fmt: skip


def deliver(client: Client, item: Item) -> int:
    if "fields" in item:
        return send(client, item).status_code
    sent = {name: value for name, value in item.items() if name != "run"}
    begun = "-" in item["run"]
    address = reverse(f"jobs:take-item{'-begun' if begun else ''}", args=[item["run"] if begun else int(item["run"])])
    return client.post(address, json.dumps(sent), content_type="application/json").status_code


@settings(
    max_examples=8, deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
@given(data=st.data())
def test_two_devices_in_any_turn_give_the_record_of_a_day_with_the_network(
    horn: Procedure, junior: User, senior: User, data: st.DataObject
) -> None:
    """Each device sends its own items in order; in whatever turn, and however many replies are lost on the way."""
    before, people, records = record(), (junior, senior), []
    for turns in (None, data.draw(st.lists(st.tuples(st.integers(0, 1), st.integers(1, 3)), max_size=60))):
        with transaction.atomic():
            clients = [signed_in(person) for person in people]
            runs = [
                builders.start(builders.take_in(person, registration=f"SB 20{number}"), horn, person)
                for number, person in enumerate(people)
            ]
            days = [day_of(number, run, people[1 - number]) for number, run in enumerate(runs)]
            for number, times in turns or []:
                if days[number]:
                    item = days[number].pop(0)
                    assert {deliver(clients[number], item) for _ in range(times)} == {200}
            for number, rest in enumerate(days):
                assert [deliver(clients[number], item) for item in rest] == [200] * len(rest)
            records.append(record())
            assert broken_invariants() == []
            transaction.set_rollback(True)
    assert records[0] == records[1]
    assert record() == before


# A procedure begun without the network


def beginning(job: str, procedure: Procedure, **more: object) -> Item:
    item = kept("start", procedure=procedure.key, number=1)
    return {**item, "job": job, "run": item["client_id"], "at": "2026-03-02T10:00:00Z", **more}


def test_a_procedure_begun_on_a_vehicle_booked_in_away_gives_the_record_of_one_begun_here(
    horn: Procedure, junior: User
) -> None:
    client, booked = signed_in(junior), booking()
    began = beginning(booked["client_id"], horn)
    answers = [
        {"kind": "answer", "client_id": str(uuid.uuid4()), "step": step, "outcome": outcome, "typed": typed,
         "run": began["client_id"]}
        for step, outcome, typed in TO_GROUND
    ]  # fmt: skip
    value = {"kind": "value", "client_id": str(uuid.uuid4()), "key": "battery", "typed": "12.6",
             "run": began["client_id"]}  # fmt: skip
    mended = mending(Run(pk=0)) | {"run": began["client_id"]}
    checked = checking(Run(pk=0), mended) | {"run": began["client_id"]}
    for item in (booked, began, value, *answers, mended, checked):
        for _ in range(2):
            assert deliver(client, item) == 200
    run = Run.objects.get()
    assert (run.job.vehicle.registration, run.holder, run.revision.number) == ("SB 900", junior, 1)
    assert run.job.client_id == uuid.UUID(booked["client_id"])
    here = builders.start(builders.take_in(junior), horn, junior)
    follow(here, TO_GROUND, junior)
    columns = ("step", "outcome", "typed", "reading", "unit", "verdict", "who")
    assert list(run.results.values_list(*columns)) == list(here.results.values_list(*columns))
    assert run.state == Run.State.ENDED
    assert Repair.objects.get().result == run.results.last()
    assert broken_invariants() == []


def test_what_a_beginning_rests_on_is_named_when_it_is_missing(horn: Procedure, junior: User) -> None:
    client = signed_in(junior)
    reply = send(client, beginning(str(uuid.uuid4()), horn))
    assert (reply.status_code, Run.objects.count()) == (422, 0)
    assert "Send its booking-in first" in reply.json()["error"]
    reply = send(client, mending(Run(pk=0)) | {"run": str(uuid.uuid4())})
    assert "not stored as begun" in reply.json()["error"]
    job = builders.take_in(junior)
    no_such = beginning(str(job.pk), horn) | {"fields": {"procedure": ["horn-dumb"], "number": ["77"]}}
    assert "no such procedure" in send(client, no_such).json()["error"]


def test_a_procedure_handed_over_to_is_begun_on_the_job_of_the_one_before(run: Run, junior: User) -> None:
    other = Procedure.objects.get(key="horn-control")
    began = beginning("", other, came_from=str(run.client_id))
    assert send(signed_in(junior), began).status_code == 200
    stored = Run.objects.get(client_id=began["client_id"])
    assert (stored.job, stored.came_from) == (run.job, run)


def test_a_revision_replaced_meanwhile_is_followed_and_one_withdrawn_is_not(
    horn: Procedure, junior: User, senior: User, second: User
) -> None:
    client, job, now = signed_in(junior), builders.take_in(junior), timezone.now()
    old = horn.revisions.get()
    draft = publishing.draft_from(old, by=senior, at=now, why="Clearer.")
    newer = publishing.publish(draft, by=second, at=now)
    began = beginning(str(job.pk), horn)
    assert send(client, began).status_code == 200
    assert Run.objects.get().revision == old
    publishing.withdraw(newer, by=second, at=now, why="It burns a hand.", for_safety=True)
    reply = send(client, beginning(str(job.pk), horn) | {"fields": {"procedure": [horn.key], "number": ["2"]}})
    assert reply.status_code == 422
    assert "withdrawn for safety" in reply.json()["error"]


def test_a_replaced_revision_is_not_begun_once_the_newer_one_was_withdrawn(
    horn: Procedure, junior: User, senior: User, second: User
) -> None:
    client, job, now = signed_in(junior), builders.take_in(junior), timezone.now()
    draft = publishing.draft_from(horn.revisions.get(), by=senior, at=now, why="Clearer.")
    newer = publishing.publish(draft, by=second, at=now)
    assert client.get(reverse("jobs:pack", args=[horn.key, 1])).status_code == 200
    publishing.withdraw(newer, by=second, at=now, why="It burns a hand.", for_safety=True)
    reply = send(client, beginning(str(job.pk), horn))
    assert (reply.status_code, Run.objects.count()) == (422, 0)
    assert "withdrawn for safety. It burns a hand." in reply.json()["error"]
    assert client.get(reverse("jobs:pack", args=[horn.key, 1])).status_code == 404


@pytest.mark.parametrize("page", ["pack-repair", "pack-verify", "pack-finding", "hand-over"])
def test_a_refused_form_of_a_procedure_begun_away_opens_again_as_it_was(
    horn: Procedure, junior: User, page: str
) -> None:
    client, again = signed_in(junior), "?repair=&again=5a4d"
    stored = builders.start(builders.take_in(junior), horn, junior)
    there = client.get(reverse("jobs:begun-page", args=[stored.client_id, horn.key, 1, page]) + again)
    assert there.headers["Location"] == reverse(f"jobs:{page}", args=[stored.pk]) + again


def test_the_pages_of_a_procedure_travel_as_one(horn: Procedure, junior: User) -> None:
    client = signed_in(junior)
    listed = words_of(client.get(reverse("jobs:begin")))
    assert horn.title in listed
    page = client.get(reverse("jobs:pack", args=[horn.key, 1])).content.decode()
    for part in ("steps/press", "pack-end", "pack-repair", "pack-verify", "pack-finding", "hand-over"):
        assert f'data-page="{part}"' in page
    assert reverse("jobs:pack", args=[horn.key, 1]) in client.get(reverse("jobs:new")).content.decode()
    run = uuid.uuid4()
    held = client.get(reverse("jobs:begun-page", args=[run, horn.key, 1, "steps/press"]))
    assert "travels with the device" in words_of(held)
    stored = builders.start(builders.take_in(junior), horn, junior)
    address = reverse("jobs:begun-page", args=[stored.client_id, horn.key, 1, "steps/press"])
    assert client.get(address).headers["Location"] == reverse("jobs:step", args=[stored.pk, "press"])
    assert client.get(reverse("jobs:pack", args=[horn.key, 9])).status_code == 404
