"""What a device kept without the network: each item once, late ones kept and shown, refused ones left with it."""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from django.db import DatabaseError, transaction
from django.http import HttpResponse
from django.test import Client

from shopkb.accounts.models import User
from shopkb.catalog.models import Caution
from shopkb.jobs.actions import closing, following, handing_over
from shopkb.jobs.actions.receiving import JUDGED_LATER, Receipt, receive
from shopkb.jobs.errors import IdempotencyConflict, NotPossible, Unreadable
from shopkb.jobs.models import DangerPassed, Job, Result, Run, RunValue
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure
from shopkb.upkeep.invariants import broken_invariants
from tests import builders
from tests.builders import TO_HORN, follow, in_force, say, signed_in, words_of
from tests.conftest import NOW

Post = Callable[..., HttpResponse]


def item(step: str, outcome: str = "", typed: str = "", **more: str) -> dict[str, str]:
    return {
        "kind": "answer",
        "client_id": str(uuid.uuid4()),
        "step": step,
        "outcome": outcome,
        "typed": typed,
        "at": "2026-03-02T10:00:00+01:00",
        **more,
    }


def sent(client: Client, run: Run, body: dict[str, Any]) -> HttpResponse:
    return client.post(f"/jobs/runs/{run.pk}/outbox/", json.dumps(body), content_type="application/json")


def without_battery(run: Run, by: User) -> Run:
    """Another run of the same procedure, whose value was not given yet."""
    job = builders.take_in(by)
    return following.start_run(job, run.revision.procedure, by=by, at=NOW, client_id=uuid.uuid4())


def battery(typed: str) -> dict[str, str]:
    return {"kind": "value", "client_id": str(uuid.uuid4()), "key": "battery", "typed": typed}


def test_a_stretch_without_network_is_the_same_as_the_answers_given_one_by_one(
    run: Run, horn: Procedure, junior: User
) -> None:
    other = builders.start(builders.take_in(junior), horn, junior)
    follow(other, TO_HORN, junior)
    for answer in TO_HORN:
        assert receive(run, item(*answer), by=junior, at=NOW) == Receipt()
    columns = ("step", "outcome", "typed", "reading", "unit", "proposed", "verdict", "judgement", "override_why")
    assert list(run.results.values_list(*columns)) == list(other.results.values_list(*columns))
    run.refresh_from_db()
    other.refresh_from_db()
    assert run.state == other.state == Run.State.ENDED


def test_every_kind_of_item_is_stored_once(run: Run, junior: User) -> None:
    Caution.objects.filter(key="probe-terminals").update(signal=Caution.Signal.DANGER, ask="The pins are free.")
    run = without_battery(run, junior)
    follow(run, TO_HORN[:1], junior)
    value = battery("12.1")
    danger = {
        "kind": "danger", "client_id": str(uuid.uuid4()), "step": "supply", "caution": "probe-terminals",
        "shown_seconds": "4",
    }  # fmt: skip
    answer = item("supply", "full", "11.9", note=" wet ")
    for _time in range(3):
        assert [receive(run, each, by=junior, at=NOW) for each in (value, danger, answer)] == [Receipt()] * 3
    assert RunValue.objects.filter(typed="12.1").count() == 1
    assert list(DangerPassed.objects.values_list("statement", "shown_seconds")) == [("The pins are free.", 4)]
    assert run.results.count() == 2


def test_a_reading_that_says_otherwise_is_kept_with_the_answer(run: Run, junior: User) -> None:
    """Without the network nobody could ask for the reason; sending it again is the same answer."""
    follow(run, TO_HORN[:1], junior)
    answer = item("supply", "full", "7.0")
    assert [receive(run, answer, by=junior, at=NOW) for _ in range(2)] == [Receipt()] * 2
    row = run.results.get(step="supply")
    assert (row.outcome, row.proposed, row.override_why) == ("full", "weak", JUDGED_LATER)


def test_a_reason_given_on_the_device_is_kept(run: Run, junior: User) -> None:
    follow(run, TO_HORN[:1], junior)
    receive(run, item("supply", "full", "7.0", override_why="Tip slipped."), by=junior, at=NOW)
    assert run.results.get(step="supply").override_why == "Tip slipped."


def test_what_is_left_out_and_what_is_off_the_way_arrives_as_that(run: Run, junior: User) -> None:
    assert receive(run, item("press", skipped="no-time", onward="click"), by=junior, at=NOW) == Receipt()
    early = receive(run, item("ground", "good", "0.05", off_path="yes"), by=junior, at=NOW)
    assert early == Receipt(counts=False, why="Before this step, do: Voltage at the connector.")
    assert receive(run, item("direct", "silent", off_path="yes"), by=junior, at=NOW) == Receipt()
    assert list(run.results.not_retracted().values_list("step", "skipped", "off_path"))[-1] == ("direct", "", True)


def test_the_device_time_is_noted_and_never_relied_on(run: Run, junior: User) -> None:
    receive(run, item("press", "click"), by=junior, at=NOW)
    follow(run, (), junior)
    receive(run, item("supply", "full", "12.4", at="yesterday"), by=junior, at=NOW)
    receive(run, item("ground", "good", "0.05", at="9999-12-31T23:59:59-14:00"), by=junior, at=NOW)
    told = list(run.events.filter(kind="result").order_by("number").values_list("at", "device_at"))
    assert told == [(NOW, datetime(2026, 3, 2, 9, 0, tzinfo=UTC)), (NOW, None), (NOW, None)]


# Too late


def test_an_answer_off_the_way_taken_meanwhile_is_kept_and_does_not_move_the_run(run: Run, junior: User) -> None:
    follow(run, TO_HORN[:2], junior)
    follow(run, (("press", "sounds", ""),), junior)
    late = item("ground", "bad", "900", unit="mV", note="rusty")
    one, two = (receive(run, late, by=junior, at=NOW) for _ in range(2))
    assert one == two
    assert not one.counts
    assert one.why.startswith("'Voltage drop of the ground' is not on the route taken.")
    row = Result.objects.late().get()
    assert (row.step, row.outcome, row.typed, str(row.reading.normalize()), row.unit, row.note) == (
        "ground", "bad", "900", "0.9", "V", "rusty",
    )  # fmt: skip
    run.refresh_from_db()
    assert run.state == Run.State.ENDED
    assert [row.step for row in run.results.not_retracted()] == ["press", "supply", "press"]


def test_a_step_answered_meanwhile_keeps_its_answer(run: Run, junior: User) -> None:
    """Two devices of one person: the one that was away does not undo what the other did."""
    follow(run, TO_HORN[:2], junior)
    told = receive(run, item("press", "silent"), by=junior, at=NOW)
    assert told == Receipt(counts=False, why="This step was answered otherwise meanwhile.")
    assert [row.outcome for row in run.results.not_retracted()] == ["click", "full"]


def test_an_answer_whose_sender_had_seen_the_one_before_replaces_it(run: Run, junior: User) -> None:
    first = follow(run, TO_HORN[:2], junior)[0]
    assert receive(run, item("press", "silent", replaces=str(first.client_id)), by=junior, at=NOW) == Receipt()
    assert run.results.get(outcome="silent").replaces == first


def test_two_answers_of_one_stretch_to_one_step(run: Run, junior: User) -> None:
    one = item("press", "silent")
    two = item("press", "click", replaces=one["client_id"])
    assert [receive(run, each, by=junior, at=NOW) for each in (one, two, one, two)] == [Receipt()] * 4
    assert [row.outcome for row in run.results.not_retracted()] == ["silent", "click"]


def test_what_arrives_after_a_hand_over_is_kept_under_its_givers_name(run: Run, junior: User, senior: User) -> None:
    follow(run, TO_HORN[:1], junior)
    handing_over.take_over(run, by=senior, at=NOW, client_id=uuid.uuid4())
    late = item("supply", "full", "12.4")
    told = Receipt(counts=False, why="Senior is following this procedure by now.")
    assert receive(run, late, by=junior, at=NOW) == told
    follow(run, (("supply", "weak", "7.0"),), senior)
    assert receive(run, late, by=junior, at=NOW) == told
    assert Result.objects.late().get().who == junior
    assert [row.who for row in run.results.not_retracted()] == [junior, senior]


def test_what_arrives_after_the_procedure_was_left_or_withdrawn_is_kept(
    run: Run, horn: Procedure, junior: User, second: User
) -> None:
    other = builders.start(builders.take_in(junior), horn, junior)
    following.stop_run(run, by=junior, at=NOW, why="Needed for the school run.")
    told = receive(run, item("press", "click"), by=junior, at=NOW)
    assert told == Receipt(counts=False, why="The procedure was left: Needed for the school run.")
    publishing.withdraw(in_force(horn), by=second, at=NOW, why="Burns a hand.", for_safety=True)
    told = receive(Run.objects.get(pk=other.pk), item("press", "click"), by=junior, at=NOW)
    assert told == Receipt(counts=False, why="The procedure was withdrawn for safety. Burns a hand.")
    assert Result.objects.late().count() == 2


def test_late_answers_are_shown(run: Run, junior: User) -> None:
    """Where the work goes on, and in the technical record; what a customer reads is free of it."""
    follow(run, TO_HORN[:2], junior)
    receive(run, item("press", "silent", note="heard nothing"), by=junior, at=NOW)
    receive(run, battery("11.9"), by=junior, at=NOW)
    assert "Came too late to count" in words_of(signed_in(junior).get(f"/jobs/{run.job_id}/"))
    said = words_of(signed_in(junior).get(f"/jobs/runs/{run.pk}/more/"))
    assert "Came too late to count" in said
    assert "Press the button and listen: Nothing to be heard" in said
    assert "This step was answered otherwise meanwhile." in said
    assert "heard nothing" in said
    assert "Battery voltage with all loads off: 11.9 . This value was given meanwhile." in said
    assert "too late" not in words_of(signed_in(junior).get(f"/jobs/{run.job_id}/write-up/"))
    technical = words_of(signed_in(junior).get(f"/jobs/{run.job_id}/write-up/technical/"))
    assert "11.9 , came too late to count. This value was given meanwhile." in technical
    assert "Nothing to be heard heard nothing" in technical
    assert "This step was answered otherwise meanwhile. came too late" in technical


# Refused: it stays on the device


def test_a_closed_job_takes_nothing_more(run: Run, junior: User) -> None:
    closing.close_job(run.job, Job.Disposition.NOT_PRESENT, by=junior, at=NOW)
    for kept in (item("press", "click"), {"kind": "value", **item("press"), "key": "battery", "typed": "12"}):
        with pytest.raises(NotPossible, match="is closed; nothing more can be recorded"):
            receive(run, kept, by=junior, at=NOW)
    assert not run.results.exists()


@pytest.mark.parametrize(
    "wrong",
    [
        item("nowhere", "click"),
        item("press", "purple"),
        item("press"),
        item("press", skipped="bored", onward="click"),
        {"kind": "danger", "client_id": str(uuid.uuid4()), "step": "nowhere", "caution": "probe-terminals"},
        {"kind": "danger", "client_id": str(uuid.uuid4()), "step": "press", "caution": "x" * 99, "shown_seconds": "-1"},
        {"kind": "value", "client_id": str(uuid.uuid4()), "key": "nothing", "typed": "12"},
    ],
    ids=["no such step", "no such answer", "no answer", "no such reason", "danger of no step", "no danger", "no value"],
)
@pytest.mark.parametrize("late", [False, True], ids=["holder", "no longer the holder"])
def test_what_no_step_knows_is_refused(run: Run, junior: User, senior: User, wrong: dict[str, str], late: bool) -> None:
    if late:
        handing_over.take_over(run, by=senior, at=NOW, client_id=uuid.uuid4())
    answer = sent(signed_in(junior), run, wrong)
    assert answer.status_code == 422
    assert answer.json()["error"]
    assert not run.results.exists()


def test_a_reading_nobody_can_read_is_refused(run: Run, junior: User) -> None:
    follow(run, TO_HORN[:1], junior)
    with pytest.raises(Unreadable):
        receive(run, item("supply", "full", "much"), by=junior, at=NOW)


def test_the_same_id_with_another_content_is_refused(run: Run, junior: User, senior: User) -> None:
    one = item("press", "click")
    receive(run, one, by=junior, at=NOW)
    for other in ("silent", "sounds"):
        with pytest.raises(IdempotencyConflict):
            receive(run, one | {"outcome": other}, by=junior, at=NOW)
    handing_over.take_over(run, by=senior, at=NOW, client_id=uuid.uuid4())
    late = item("supply", "full", "12.4")
    receive(run, late, by=junior, at=NOW)
    with pytest.raises(IdempotencyConflict):
        receive(run, late | {"typed": "12.5"}, by=junior, at=NOW)


def test_a_value_of_somebody_who_lost_the_run_is_kept_and_not_used(run: Run, junior: User, senior: User) -> None:
    """As typed, even what nobody could read; the same again gets the same receipt, another content is refused."""
    handing_over.take_over(run, by=senior, at=NOW, client_id=uuid.uuid4())
    told = Receipt(counts=False, why="Senior is following this procedure by now.")
    for late in (battery(" 11 "), battery("eleven")):
        assert [receive(run, late, by=junior, at=NOW) for _ in range(3)] == [told] * 3
        for other in ("10", "twelve"):
            with pytest.raises(IdempotencyConflict):
                receive(run, late | {"typed": other}, by=junior, at=NOW)
    assert list(run.late_values.values_list("typed", "who__username")) == [("11", "junior"), ("eleven", "junior")]
    assert [row.typed for row in run.values.all()] == ["12.6"]
    with pytest.raises(NotPossible, match="does not ask for a value called 'feed_drop'"):
        receive(run, battery("1") | {"key": "feed_drop"}, by=junior, at=NOW)
    with pytest.raises(DatabaseError, match="never changed or deleted"), transaction.atomic():
        run.late_values.update(typed="10")
    assert broken_invariants() == []


def test_a_value_that_was_given_on_another_device_meanwhile_stays(run: Run, junior: User) -> None:
    told = receive(run, battery("11"), by=junior, at=NOW)
    assert told == Receipt(counts=False, why="This value was given meanwhile.")
    assert [row.typed for row in run.values.all()] == ["12.6"]


def test_a_value_that_was_stored_before_the_run_was_lost_counts_when_it_is_sent_again(
    run: Run, junior: User, senior: User
) -> None:
    run = without_battery(run, junior)
    value = battery("12.1")
    assert receive(run, value, by=junior, at=NOW) == Receipt()
    handing_over.take_over(run, by=senior, at=NOW, client_id=uuid.uuid4())
    assert receive(run, value, by=junior, at=NOW) == Receipt()
    assert not run.late_values.exists()


# The address


def test_signed_out_or_without_a_token_nothing_is_taken(run: Run, junior: User) -> None:
    answer = sent(Client(), run, item("press", "click"))
    assert (answer.status_code, answer.json()) == (
        401, {"error": "Sign in again; what was not sent is kept on this device."},
    )  # fmt: skip
    assert sent(signed_in(junior, csrf=True), run, item("press", "click")).status_code == 403
    assert not run.results.exists()


def test_who_is_signed_in_is_told_with_a_fresh_token(junior: User) -> None:
    assert signed_in(junior).get("/jobs/token/").json()["user"] == junior.pk
    assert Client().get("/jobs/token/").json()["user"] is None


@pytest.mark.parametrize(
    "body", ["", "[]", "null", "7", "{}", '{"client_id": "x"}', "[" * 5000, '{"client_id": null}', "\x00", "{" * 9000]
)
def test_what_is_no_item_is_refused(run: Run, junior: User, body: str) -> None:
    answer = signed_in(junior).post(f"/jobs/runs/{run.pk}/outbox/", body, content_type="application/json")
    assert answer.status_code == 422


@pytest.mark.parametrize("seconds", ["", "two", "-3", "1e9", "99999999999999999999", "4"])
def test_a_danger_is_kept_however_long_it_was_shown(run: Run, junior: User, seconds: str) -> None:
    Caution.objects.filter(key="probe-terminals").update(signal=Caution.Signal.DANGER)
    danger = {
        "kind": "danger", "client_id": str(uuid.uuid4()), "step": "supply", "caution": "probe-terminals",
        "shown_seconds": seconds,
    }  # fmt: skip
    assert sent(signed_in(junior), run, danger).json() == {"stored": True, "counts": True, "why": ""}
    assert DangerPassed.objects.get().shown_seconds == (4 if seconds == "4" else 0)


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("times", [1, 2, 20])
def test_the_same_item_at_once_is_one_row_and_one_reply(run: Run, junior: User, senior: User, times: int) -> None:
    """An answer that counts, one that was judged later, one that came too late."""
    clients = [signed_in(junior) for _ in range(times)]

    def at_once(kept: dict[str, str]) -> dict[str, Any]:
        def post(number: int) -> tuple[int, str]:
            answer = sent(clients[number], run, kept)
            return answer.status_code, answer.content.decode()

        ((status, body),) = set(builders.all_at_once(times, post))
        assert status == 200
        assert run.results.filter(client_id=kept["client_id"]).count() == 1
        return json.loads(body)

    assert at_once(item("press", "click"))["counts"]
    assert at_once(item("supply", "full", "7.0"))["counts"]
    handing_over.take_over(run, by=senior, at=NOW, client_id=uuid.uuid4())
    assert not at_once(item("ground", "bad", "0.9"))["counts"]
    assert [row.step for row in run.results.not_retracted()] == ["press", "supply"]
    assert run.results.count() == 3


def test_an_answer_taken_twice_by_form_and_by_outbox_is_one(run: Run, junior: User) -> None:
    """The reply to the form was lost on its way; the device keeps the answer and sends it again."""
    answer = say(run, "press", "click")
    following.record(run, answer, by=junior, at=NOW)
    assert receive(run, item("press", "click", client_id=str(answer.client_id)), by=junior, at=NOW) == Receipt()
    assert run.results.count() == 1


def test_what_was_given_while_the_tablet_was_locked_says_so(run: Run, junior: User) -> None:
    """Somebody said afterwards that it was theirs; a danger nobody can confirm like that."""
    run = without_battery(run, junior)
    receive(run, {**battery("12.4"), "given_locked": "yes"}, by=junior, at=NOW)
    assert run.events.get(kind="value").words == "Given while the tablet was locked."
    press = item("press", "click", note="Loud.", given_locked="yes")
    for _twice in range(2):
        assert receive(run, press, by=junior, at=NOW).counts
    assert run.results.get().note == "Given while the tablet was locked. Loud."
    danger = {**item("supply"), "kind": "danger", "caution": "probe-terminals", "given_locked": "yes"}
    with pytest.raises(NotPossible, match="while the tablet was locked"):
        receive(run, danger, by=junior, at=NOW)
