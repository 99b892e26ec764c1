"""The same answer twice, from one device or from twenty at once, is stored once (law 3)."""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest

from shopkb.accounts.models import User
from shopkb.jobs.actions import following
from shopkb.jobs.answering import Answer
from shopkb.jobs.errors import IdempotencyConflict
from shopkb.jobs.models import Job, Result, Run
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import TO_HORN, follow, say
from tests.conftest import NOW

# The same answer twice


def test_the_same_answer_twice_is_one_row_and_an_equal_reply(run: Run, junior: User) -> None:
    follow(run, TO_HORN[:1], junior)
    sent = say(run, "supply", "full", " 12.4 ", note=" wet ")
    one = following.record(run, sent, by=junior, at=NOW)
    follow(run, TO_HORN[2:], junior)  # going on in between changes nothing
    two = following.record(run, sent, by=junior, at=NOW + timedelta(hours=2))
    assert (one.duplicate, two.duplicate) == (False, True)
    assert one.result == two.result
    for name in ("step", "outcome", "typed", "reading", "proposed", "judgement", "note", "at", "seconds"):
        assert getattr(one.result, name) == getattr(two.result, name)
    assert run.results.count() == 4


def test_the_same_skip_twice_is_one_row(run: Run, junior: User) -> None:
    sent = say(run, "press", "click", skipped="no-time", onward="click")
    one, two = (following.record(run, sent, by=junior, at=NOW) for _ in range(2))
    assert one.result == two.result
    assert run.results.count() == 1


def test_a_reply_is_equal_even_where_a_step_takes_no_reading(run: Run, junior: User) -> None:
    sent = say(run, "press", "click", "12")
    one, two = (following.record(run, sent, by=junior, at=NOW) for _ in range(2))
    assert (one.result, two.duplicate) == (two.result, True)


OTHER = "This answer was sent before with another content. Reload the page and answer again."


@pytest.mark.parametrize(
    "change",
    [
        {"outcome": "weak"},
        {"typed": "12.5"},
        {"unit": "mV"},
        {"step": "press", "outcome": "click"},
        {"skipped": "no-time", "onward": "full"},
        {"note": "another"},
        {"off_path": True},
    ],
    ids=lambda change: "-".join(change),
)
def test_the_same_id_with_another_body_is_refused(run: Run, junior: User, change: dict[str, object]) -> None:
    follow(run, TO_HORN[:1], junior)
    body: dict[str, object] = {"step": "supply", "outcome": "full", "typed": "12.4"}
    sent = uuid.uuid4()
    following.record(run, Answer(client_id=sent, **body), by=junior, at=NOW)  # type: ignore[arg-type]
    with pytest.raises(IdempotencyConflict) as refused:
        following.record(run, Answer(client_id=sent, **body | change), by=junior, at=NOW)  # type: ignore[arg-type]
    assert str(refused.value) == OTHER
    assert run.results.count() == 2


def test_the_same_id_with_another_reason_is_refused(run: Run, junior: User) -> None:
    follow(run, TO_HORN[:1], junior)
    body: dict[str, object] = {"step": "supply", "client_id": uuid.uuid4(), "outcome": "full", "typed": "7"}
    following.record(run, Answer(override_why="Tip slipped", **body), by=junior, at=NOW)  # type: ignore[arg-type]
    assert following.record(run, Answer(override_why="Tip slipped", **body), by=junior, at=NOW).duplicate  # type: ignore[arg-type]
    with pytest.raises(IdempotencyConflict) as refused:
        following.record(run, Answer(override_why="Bored", **body), by=junior, at=NOW)  # type: ignore[arg-type]
    assert str(refused.value) == OTHER


def test_a_resent_answer_is_equal_though_a_value_changed_since(run: Run, junior: User) -> None:
    """The limit follows the battery voltage; the reply is what was stored then."""
    follow(run, TO_HORN[:1], junior)
    sent = say(run, "supply", "full", "12.4")
    one = following.record(run, sent, by=junior, at=NOW)
    following.record_value(run, "battery", "15", by=junior, at=NOW, client_id=uuid.uuid4())
    two = following.record(run, sent, by=junior, at=NOW)
    assert (two.result, two.duplicate) == (one.result, True)


def test_the_same_id_on_another_run_is_refused(run: Run, horn: Procedure, junior: User) -> None:
    other = builders.start(builders.take_in(junior), horn, junior)
    sent = say(run, "press", "click")
    following.record(run, sent, by=junior, at=NOW)
    with pytest.raises(IdempotencyConflict) as refused:
        following.record(other, sent, by=junior, at=NOW)
    assert str(refused.value) == OTHER


@pytest.mark.django_db(transaction=True)
def test_twenty_at_once_store_one_row(run: Run, junior: User) -> None:
    sent = say(run, "press", "click")
    replies = builders.all_at_once(20, lambda _number: following.record(run, sent, by=junior, at=NOW).result.pk)
    assert len(set(replies)) == 1
    assert Result.objects.get().pk == replies[0]


@pytest.mark.django_db(transaction=True)
def test_twenty_starts_at_once_are_one_run(job: Job, horn: Procedure, junior: User) -> None:
    sent = uuid.uuid4()
    replies = builders.all_at_once(
        20, lambda _number: following.start_run(job, horn, by=junior, at=NOW, client_id=sent).pk
    )
    assert [Run.objects.get().pk] * 20 == replies
