"""The clock of the computer jumps: a year on, an hour back, the night in which an hour comes twice.

The order of what was recorded is the server's sequence, never its clock; no law breaks, no page fails, nobody is shut
out for good, and no step is said to have taken a time that cannot be true.
"""

from __future__ import annotations

import os
import uuid
from datetime import UTC, datetime, timedelta
from unittest.mock import patch

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shopkb.accounts.models import User
from shopkb.jobs.models import Event, Job, Run
from shopkb.procedures.models import Procedure
from shopkb.upkeep.invariants import broken_invariants
from tests import builders
from tests.builders import TO_GROUND

AUTUMN = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
"""Half past one in London's summer time; an hour later it is half past one again (Europe/London, tz database)."""
SPRING = datetime(2026, 3, 29, 0, 59, tzinfo=UTC)
JUMPS = {
    "a year on": [AUTUMN, AUTUMN + timedelta(days=365)],
    "a year on and back": [AUTUMN, AUTUMN + timedelta(days=365), AUTUMN + timedelta(minutes=3)],
    "an hour back": [AUTUMN, AUTUMN - timedelta(hours=1)],
    "an hour that comes twice": [AUTUMN, AUTUMN + timedelta(hours=1), AUTUMN + timedelta(hours=2)],
    "an hour that never was": [SPRING, SPRING + timedelta(minutes=2)],
    "the first day of the computer's clock": [AUTUMN, datetime(1970, 1, 1, tzinfo=UTC)],
    "far ahead": [AUTUMN, datetime(2099, 12, 31, 23, 59, 59, tzinfo=UTC)],
}
BACKEND = "django.contrib.auth.backends.ModelBackend"
DAYS = st.integers(0, 40_000).map(lambda days: datetime(1980, 1, 1, tzinfo=UTC) + timedelta(days=days, hours=days % 24))
JUMPED = int(os.environ.get("SHOPKB_KILLS", "4")) // 2
quick = settings(max_examples=JUMPED, suppress_health_check=[HealthCheck.function_scoped_fixture], database=None)


def work_through(client: Client, horn: Procedure, by: User, clock: list[datetime]) -> Job:
    """A whole job by its pages, the clock set anew before each of them, round and round."""
    moments = iter(clock * 40)

    def at(moment: datetime) -> object:
        return patch("django.utils.timezone.now", lambda: moment)

    with at(clock[0]):
        job = builders.take_in(by, at=clock[0])
        run = builders.start(job, horn, by)
    for step, outcome, typed in TO_GROUND:
        with at(next(moments)):
            client.force_login(by, backend=BACKEND)  # a session may have run out
            shown = client.get(reverse("jobs:run", args=[run.pk]), follow=True)
            assert shown.status_code == 200
            sent = {"client_id": str(uuid.uuid4()), "outcome": outcome, "typed": typed, "unit": "V"}
            assert client.post(reverse("jobs:answer", args=[run.pk, step]), sent).status_code == 302, (step, typed)
    builders.mend(job, by, result=run.results.last(), at=next(moments))
    with at(next(moments)):
        client.force_login(by, backend=BACKEND)
        for part in ("Bumper off", "In the cabin"):
            client.post(reverse("jobs:put-back", args=[run.pk]), {"part": part})
        sent = {"disposition": "cured", "note": ""}
        assert client.post(reverse("jobs:close", args=[job.pk]), sent).status_code == 302
    return Job.objects.get(pk=job.pk)


def nothing_broken(job: Job) -> None:
    assert broken_invariants() == []
    run = Run.objects.get(job=job)
    rows = list(run.results.order_by("pk"))
    assert [row.step for row in rows] == [step for step, _outcome, _typed in TO_GROUND]
    assert all(row.seconds is None or 0 <= row.seconds <= 30 * 60 for row in rows)
    told = list(Event.objects.filter(run=run, kind="result").order_by("number").values_list("record", flat=True))
    assert told == [row.pk for row in rows]


@pytest.mark.parametrize("jump", JUMPS)
def test_a_jump_breaks_no_law(client: Client, horn: Procedure, junior: User, jump: str) -> None:
    job = work_through(client, horn, junior, JUMPS[jump])
    nothing_broken(job)
    client.force_login(junior, backend=BACKEND)
    for name in ("jobs:job", "jobs:write-up"):
        assert client.get(reverse(name, args=[job.pk])).status_code == 200


@quick
@given(clock=st.lists(DAYS, min_size=1, max_size=5))
def test_any_jumps_break_no_law(
    client: Client, horn: Procedure, junior: User, figure: dict[str, object], clock: list[datetime]
) -> None:
    nothing_broken(work_through(client, horn, junior, clock))
    figure["jumps of the clock"] = int(str(figure.get("jumps of the clock", 0))) + len(clock)


def test_signed_in_people_are_let_in_after_a_jump(client: Client, junior: User) -> None:
    client.force_login(junior, backend=BACKEND)
    assert client.get("/").status_code == 200
    with patch("django.utils.timezone.now", lambda: AUTUMN + timedelta(days=3650)):
        assert client.get("/").status_code == 302  # the session ran out: sign in again
        sent = {"username": "junior", "password": "junior-knows-it"}
        assert client.post(reverse("login"), sent).status_code == 302
        assert client.get("/").status_code == 200
    assert client.get("/").status_code == 200
