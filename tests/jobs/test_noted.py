"""What a device kept carries the time it was noted, within what can be true of the device's clock."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.jobs.models import Finding, HandOver, Job, Repair, Run, Verification
from tests.builders import TO_GROUND, follow, get, signed_in, words_of
from tests.jobs.test_kept_forms import booking, checking, kept, mending, send

NOW = timezone.now()
HOUR = timedelta(hours=1)


@pytest.fixture
def since_morning(run: Run) -> Run:
    """A job that was booked in eight hours ago."""
    Job.objects.filter(pk=run.job_id).update(opened_at=NOW - 8 * HOUR)
    run.refresh_from_db()
    return run


def noted(job: Job) -> dict[tuple[str, int], datetime]:
    return Job.objects.get(pk=job.pk).noted


def test_faults_repairs_checks_and_hand_overs_say_when_they_were_noted(
    since_morning: Run, junior: User, senior: User
) -> None:
    follow(since_morning, TO_GROUND, junior)
    repair = mending(since_morning)
    items = [kept("finding", since_morning, words="Tyre worn."), repair, checking(since_morning, repair),
             kept("hand-over", since_morning, receiver=senior.pk, reason="End of the shift.")]  # fmt: skip
    moments = [NOW - (4 - place) * HOUR for place in range(4)]
    for item, moment in zip(items, moments, strict=True):
        assert send(signed_in(junior), {**item, "at": moment.isoformat()}).status_code == 200
    rows = [("finding", Finding), ("repair", Repair), ("verified", Verification), ("offered", HandOver)]
    assert noted(since_morning.job) == {
        (kind, model._default_manager.get().pk): moment for (kind, model), moment in zip(rows, moments, strict=True)
    }
    shown = words_of(get(signed_in(junior), reverse("jobs:technical", args=[since_morning.job_id]))[0])
    clock = [timezone.localtime(moment).strftime("%H:%M") for moment in moments]
    assert all(f"{at}, sent" in shown for at in clock)


@pytest.mark.parametrize(
    ("said", "taken"),
    [("9999-12-31T23:59:59Z", None), ("1970-01-01T00:00:00Z", None), ("no moment", "nothing"), ("", "nothing")],
    ids=["future", "before-the-job", "no-time", "empty"],
)
def test_what_the_device_says_is_bounded(since_morning: Run, junior: User, said: str, taken: str | None) -> None:
    send(signed_in(junior), {**kept("finding", since_morning, words="Tyre worn."), "at": said})
    row = Finding.objects.get()
    told = noted(since_morning.job).get(("finding", row.pk))
    assert told == (None if taken == "nothing" else row.at)


def test_a_job_booked_in_away_begins_when_it_was_noted(junior: User, run: Run) -> None:
    send(signed_in(junior), {**booking("sb 900"), "at": (NOW - 3 * HOUR).isoformat()})
    send(signed_in(junior), {**booking("sb 901"), "at": "1970-01-01T00:00:00Z"})
    send(signed_in(junior), {**booking("sb 902"), "at": "9999-12-31T00:00:00Z"})
    away, hostile, ahead = Job.objects.exclude(pk=run.job_id).order_by("pk")
    assert away.began_at == NOW - 3 * HOUR
    assert hostile.began_at == hostile.opened_at
    assert ahead.began_at == ahead.opened_at
    assert run.job.began_at == run.job.opened_at
