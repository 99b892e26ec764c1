"""Values asked once a run: what is taken, what follows from them, what is refused."""

from __future__ import annotations

import uuid
from decimal import Decimal

import pytest

from shopkb.accounts.models import User
from shopkb.jobs import answering
from shopkb.jobs.actions import following
from shopkb.jobs.errors import IdempotencyConflict, NotPossible, Unreadable
from shopkb.jobs.models import Job, Run, RunValue
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from tests.builders import TO_HORN, follow, say
from tests.conftest import NOW

# Values asked once a run


def test_a_band_cannot_be_read_before_its_value_is_known(job: Job, horn: Procedure, junior: User) -> None:
    run = following.start_run(job, horn, by=junior, at=NOW, client_id=uuid.uuid4())
    flow = flow_of(run.revision)
    asked = answering.values_missing(flow, flow.step_by_key["supply"], answering.values_of(run, flow))
    assert [value.key for value in asked] == ["battery"]
    follow(run, TO_HORN[:1], junior)
    with pytest.raises(Unreadable):
        following.record(run, say(run, "supply", "full", "12.4"), by=junior, at=NOW)
    assert run.results.count() == 1


def test_an_asked_value_is_kept_and_the_latest_counts(run: Run, junior: User) -> None:
    following.record_value(run, "battery", "12300 mV", by=junior, at=NOW, client_id=uuid.uuid4())
    flow = flow_of(run.revision)
    known = answering.values_of(run, flow)
    assert (known["battery"].magnitude, known["battery"].unit) == (Decimal("12.3"), "V")
    assert run.values.count() == 2
    # IEC 60228 class 5: 1.5 mm2 has at most 13.3 ohm/km at 20 degC; copper adds 0.393 % per K.
    assert float(known["feed_drop"].magnitude) == pytest.approx(6 * 4 * 0.0133 * (1 + 0.00393 * 20), abs=0.0005)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("8.9", "8.9 V is less than can be true here. It is 9 V or more."),
        ("16.1", "16.1 V is more than can be true here. It is 16 V or less."),
        ("160", "160 V is more than can be true here. It is 16 V or less."),
    ],
)
def test_a_value_outside_what_can_be_true_is_refused(
    job: Job, horn: Procedure, junior: User, typed: str, said: str
) -> None:
    run = following.start_run(job, horn, by=junior, at=NOW, client_id=uuid.uuid4())
    with pytest.raises(Unreadable) as refused:
        following.record_value(run, "battery", typed, by=junior, at=NOW, client_id=uuid.uuid4())
    assert str(refused.value) == said
    assert run.values.count() == 0


@pytest.mark.parametrize("typed", ["9", "16"])
def test_the_ends_of_the_range_can_be_true(job: Job, horn: Procedure, junior: User, typed: str) -> None:
    run = following.start_run(job, horn, by=junior, at=NOW, client_id=uuid.uuid4())
    assert following.record_value(run, "battery", typed, by=junior, at=NOW, client_id=uuid.uuid4()).typed == typed


@pytest.mark.parametrize("key", ["feed_drop", "speed"])
def test_only_values_that_are_asked_are_taken(run: Run, junior: User, key: str) -> None:
    with pytest.raises(NotPossible) as refused:
        following.record_value(run, key, "1", by=junior, at=NOW, client_id=uuid.uuid4())
    assert str(refused.value) == f"This procedure does not ask for a value called {key!r}."


def test_the_same_value_twice_is_stored_once(run: Run, junior: User) -> None:
    sent = uuid.uuid4()
    one = following.record_value(run, "battery", "12.5", by=junior, at=NOW, client_id=sent)
    two = following.record_value(run, "battery", " 12.5 ", by=junior, at=NOW, client_id=sent)
    assert one == two
    assert RunValue.objects.filter(client_id=sent).count() == 1
    with pytest.raises(IdempotencyConflict) as refused:
        following.record_value(run, "battery", "12.6", by=junior, at=NOW, client_id=sent)
    assert str(refused.value) == "This was sent before with another value. Reload the page and enter it again."
