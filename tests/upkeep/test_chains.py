"""The event log: written at every door, whole, and whatever is changed behind the doors is named."""

from __future__ import annotations

import hashlib
import json
import uuid
from datetime import timedelta
from decimal import Decimal

import pytest

from shopkb.accounts.models import User
from shopkb.catalog.cause_registry import cause_for
from shopkb.jobs import vehicle_state
from shopkb.jobs.actions import closing, confirming, following, handing_over, receiving
from shopkb.jobs.log.append_only import opened
from shopkb.jobs.log.hash_chain import storable
from shopkb.jobs.models import Event, Job, Repair, Result, Run, RunValue, Verification
from shopkb.procedures.models import Procedure
from shopkb.upkeep.chains import BrokenChain, broken_chains, chain_ends
from shopkb.upkeep.invariants import broken_invariants
from tests import builders
from tests.conftest import NOW


@pytest.fixture
def closed(horn: Procedure, junior: User) -> Job:
    return builders.cured_job(horn, junior)


@pytest.fixture
def run(closed: Job) -> Run:
    return closed.runs.get()


def kinds(**chain: int) -> list[str]:
    return list(Event.objects.filter(**chain).order_by("number").values_list("kind", flat=True))


def test_every_door_writes_its_event(horn: Procedure, junior: User, senior: User) -> None:
    job = builders.take_in(junior)
    run = builders.start(job, horn, junior)
    builders.follow(run, [("press", "click", "")], junior)
    wrong = builders.follow(run, [("supply", "full", "12.4")], junior)[0]
    following.retract(wrong, by=junior, at=NOW, client_id=uuid.uuid4())
    passing = confirming.DangerConfirmation("direct", _danger(), 4, uuid.uuid4())
    confirming.pass_danger(run, passing, by=junior, at=NOW)
    words = handing_over.HandOverNote("End of the shift.", uuid.uuid4())
    handing_over.accept(handing_over.hand_over(run, senior, words, by=junior, at=NOW), by=senior, at=NOW)
    handing_over.take_over(run, by=junior, at=NOW, client_id=uuid.uuid4())
    vehicle_state.confirm_back(run, ["In the cabin"], by=junior, at=NOW)
    following.stop_run(run, by=junior, at=NOW, why="The bus must go.")
    assert kinds(run=run.pk) == [
        "started", "value", "result", "result", "retracted", "danger", "offered", "accepted", "taken-over", "put-back",
        "left",
    ]  # fmt: skip
    builders.mend(job, junior)
    closing.close_job(job, Job.Disposition.CURED, by=junior, at=NOW)
    closing.reopen_job(job, by=senior)
    assert kinds(job=job.pk) == ["repair", "verified", "closed", "reopened"]
    assert list(broken_chains()) == []


def _danger() -> str:
    from shopkb.catalog.models import Caution

    Caution.objects.filter(key="isolate-before-power").update(signal=Caution.Signal.DANGER)
    return "isolate-before-power"


def test_an_answer_kept_on_the_device_keeps_its_time(horn: Procedure, junior: User, senior: User) -> None:
    run = builders.start(builders.take_in(junior), horn, junior)
    said = {"client_id": str(uuid.uuid4()), "step": "press", "outcome": "click", "at": "2031-03-02T08:00:00.000Z"}
    receiving.receive(run, said, by=junior, at=NOW)
    late = {**said, "client_id": str(uuid.uuid4()), "at": "no moment"}
    receiving.receive(run, late, by=senior, at=NOW)
    told = Event.objects.filter(run=run, kind__in=("result", "retracted")).order_by("number")
    assert [(event.kind, event.at, event.device_at and event.device_at.year) for event in told] == [
        ("result", NOW, 2031), ("result", NOW, None), ("retracted", NOW, None),
    ]  # fmt: skip
    assert list(broken_chains()) == []


def test_the_hash_is_the_one_written_down(horn: Procedure, junior: User) -> None:
    """SHA-256 (FIPS 180-4) by hashlib over the JSON text that the reference gives, worked here a second time."""
    run = builders.start(builders.take_in(junior), horn, junior)
    event = Event.objects.filter(run=run).earliest("number")
    moment = "2026-03-02T09:00:00.000000+00:00"
    said = json.dumps(["started", run.job_id, None, moment, str(run.client_id)], separators=(",", ":"))
    digest = hashlib.sha256(said.encode()).hexdigest()
    assert event.digest == digest
    whole = ["", run.pk, None, 1, "started", run.pk, digest, "revision 1", junior.pk, moment, None]
    assert event.hash == hashlib.sha256(json.dumps(whole, separators=(",", ":")).encode()).hexdigest()


@pytest.mark.parametrize(
    ("given", "stored"),
    [("1.23456789", "1.234568"), ("1234567890.12345678", "1234567890.12346"), ("12.500000", "12.5"), ("-0", "0")],
)
def test_a_number_is_sealed_with_the_digits_that_both_databases_keep(given: str, stored: str) -> None:
    assert storable(Decimal(given)) == Decimal(stored)


def only(found: list[BrokenChain]) -> BrokenChain:
    assert len(found) == 1, found
    return found[0]


@pytest.mark.parametrize("field", ["typed", "note", "outcome", "unit", "judgement"])
def test_a_changed_result_is_named(run: Run, field: str) -> None:
    result = run.results.latest("pk")
    place = Event.objects.get(run=run, kind="result", record=result.pk).number
    with opened():
        Result.objects.filter(pk=result.pk).update(**{field: "other"})
    told = only(list(broken_chains()))
    assert (told.place, told.message) == (f"run {run.pk}", f"The result {result.pk} of its event {place} was changed.")
    assert [(row.law, row.place) for row in broken_invariants() if row.law == "events"] == [("events", f"run {run.pk}")]


def test_a_changed_moment_value_repair_or_check_is_named(closed: Job, run: Run) -> None:
    repair = closed.repairs.get()
    for model, row, change in (
        (Result, run.results.earliest("pk"), {"at": NOW + timedelta(seconds=1)}),
        (RunValue, run.values.get(), {"magnitude": "12.400001"}),
        (Repair, repair, {"minutes": 99}),
        (Verification, repair.verifications.get(), {"how": "Nobody looked."}),
    ):
        before = model.objects.filter(pk=row.pk).values().get()
        with opened():
            model.objects.filter(pk=row.pk).update(**change)
        assert only(list(broken_chains())).message.startswith(f"The {model._meta.verbose_name} {row.pk} of its event")
        with opened():
            model.objects.filter(pk=row.pk).update(**before)
        assert list(broken_chains()) == []
    with opened():
        repair.also.add(cause_for("body/horn/relay", "burnt contacts"))
    assert only(list(broken_chains())).place == f"job {closed.pk}"


def test_a_changed_event_is_named(run: Run) -> None:
    event = Event.objects.filter(run=run).order_by("number")[2]
    with opened():
        Event.objects.filter(pk=event.pk).update(at=NOW + timedelta(days=1))
    assert only(list(broken_chains())).message == (
        f"Its event 3 ({event.get_kind_display()}) or the one before it was changed."
    )


def test_a_row_put_in_or_taken_out_is_named(run: Run, junior: User) -> None:
    added = Result.objects.create(run=run, step="press", outcome="click", who=junior, at=NOW, client_id=uuid.uuid4())
    assert only(list(broken_chains())).message == (
        f"Its result {added.pk} is in no event: it was put in behind the doors."
    )
    with opened():
        added.delete()
    assert list(broken_chains()) == []
    first = Event.objects.filter(run=run).earliest("number")
    with opened():
        first.delete()
    assert next(iter(broken_chains())).message == "Its event 1 is missing."


def test_an_end_cut_off_a_closed_job_is_named(run: Run) -> None:
    last = Event.objects.filter(run=run).latest("number")
    with opened():
        last.delete()
    said = f"Its event {last.number}, the last when its job was closed, is gone or another."
    assert said in [told.message for told in broken_chains()]


def test_one_figure_for_all_chains(closed: Job, horn: Procedure, junior: User) -> None:
    one = chain_ends()
    assert (one.chains, one.events) == (2, Event.objects.count())
    builders.take_in(junior)
    assert chain_ends() == one
    builders.start(builders.take_in(junior), horn, junior)
    assert chain_ends() != one
