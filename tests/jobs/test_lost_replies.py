"""Replies lost at random between server and device: the device sends until it has a receipt, and the record is the same
as without a loss. Each thing is sent 1, 2 and 20 times at once: one row, one reply.
"""

from __future__ import annotations

import http.client
import json
import random
import threading
import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING
from urllib.parse import urlencode

import pytest

from shopkb.accounts.models import User
from shopkb.catalog.models import Platform
from shopkb.jobs.models import Job, Photo, Result, Run, RunValue
from shopkb.procedures.models import Procedure
from shopkb.upkeep.invariants import broken_invariants
from tests import builders
from tests.builders import TO_HORN, follow
from tests.door import Door, door_before

if TYPE_CHECKING:
    from pytest_django.live_server_helper import LiveServer

pytestmark = pytest.mark.django_db(transaction=True)

TOKEN = "a" * 32
MOST_TRIES = 200


@pytest.fixture
def door(live_server: LiveServer) -> Iterator[Door]:
    """Every other reply is lost, by seeded dice, until the one who asks has nothing left to ask."""
    dice, turn = random.Random(11), threading.Lock()

    def loses() -> bool:
        with turn:
            return dice.random() < 0.5

    with door_before(live_server.thread.port, loses) as door:
        yield door


class Device:
    """What a device sends, again and again until a receipt comes."""

    def __init__(self, door: Door, person: User) -> None:
        self.port = door.port
        self.cookies = f"sessionid={builders.signed_in(person).cookies['sessionid'].value}; csrftoken={TOKEN}"

    def form(self, path: str, **fields: object) -> tuple[int, str]:
        body = urlencode({"csrfmiddlewaretoken": TOKEN, **fields})
        return self._until_told(path, body, "application/x-www-form-urlencoded")

    def item(self, run: Run, item: dict[str, str]) -> tuple[int, str]:
        return self._until_told(f"/jobs/runs/{run.pk}/outbox/", json.dumps(item), "application/json")

    def _until_told(self, path: str, body: str, kind: str) -> tuple[int, str]:
        for _ in range(MOST_TRIES):
            try:
                return self._post(path, body, kind)
            except (OSError, http.client.HTTPException):
                continue
        raise AssertionError(f"no receipt for {path}")

    def _post(self, path: str, body: str, kind: str) -> tuple[int, str]:
        """Status, and where it leads or what it says."""
        connection = http.client.HTTPConnection("localhost", self.port, timeout=60)
        try:
            headers = {"Cookie": self.cookies, "Content-Type": kind, "X-CSRFToken": TOKEN}
            connection.request("POST", path, body, headers)
            reply = connection.getresponse()
            told = reply.read().decode()
            return reply.status, reply.getheader("Location") or told
        finally:
            connection.close()


def answer(step: str, outcome: str, typed: str) -> dict[str, str]:
    return {"kind": "answer", "client_id": str(uuid.uuid4()), "step": step, "outcome": outcome, "typed": typed}


def test_a_job_over_a_line_that_loses_replies_is_the_same_job(door: Door, horn: Procedure, junior: User) -> None:
    device = Device(door, junior)
    platform = Platform.objects.get(path="curlew/dunlin").pk
    status, job = device.form(
        "/jobs/new/", client_id=uuid.uuid4(), registration="SB 0001", platform=platform, complaint="No horn.",
        complaint_verified="yes",
    )  # fmt: skip
    assert status == 302
    _status, at = device.form(f"{job}start/horn-silent/", client_id=uuid.uuid4())
    run = Run.objects.get(pk=int(at.strip("/").rpartition("/")[2]))
    assert device.form(f"{at}values/battery/", client_id=uuid.uuid4(), typed="12.6", step="press")[0] == 302
    for number, (step, outcome, typed) in enumerate(TO_HORN):
        if number % 2:
            assert device.item(run, answer(step, outcome, typed))[0] == 200
        else:
            address = f"{at}steps/{step}/answer/"
            assert device.form(address, client_id=uuid.uuid4(), outcome=outcome, typed=typed)[0] == 302
    assert door.lost > 0
    twin = builders.start(builders.take_in(junior), horn, junior)
    follow(twin, TO_HORN, junior)
    columns = ("step", "outcome", "typed", "reading", "proposed", "verdict", "judgement", "override_why", "replaces")
    assert list(run.results.values_list(*columns)) == list(twin.results.values_list(*columns))
    assert (Job.objects.count(), Run.objects.count(), RunValue.objects.filter(run=run).count()) == (2, 2, 1)
    assert not Photo.objects.exists()
    assert broken_invariants() == []


@pytest.mark.parametrize("times", [1, 2, 20])
def test_each_sending_at_once_over_that_line_is_one_row_and_one_reply(
    door: Door, run: Run, junior: User, times: int
) -> None:
    device = Device(door, junior)
    sendings = [
        lambda sent: device.form(f"/jobs/runs/{run.pk}/values/battery/", client_id=sent, typed="12.1", step="press"),
        lambda sent: device.form(f"/jobs/runs/{run.pk}/steps/press/answer/", client_id=sent, outcome="click"),
        lambda sent: device.item(run, answer("supply", "full", "12.4") | {"client_id": str(sent)}),
        lambda sent: device.item(run, answer("press", "silent", "") | {"client_id": str(sent)}),
    ]
    for number, sending in enumerate(sendings):
        sent = uuid.uuid4()
        with ThreadPoolExecutor(times) as pool:
            replies = set(pool.map(lambda _each, sending=sending, sent=sent: sending(sent), range(times)))
        assert len(replies) == 1, number
        rows = [*RunValue.objects.filter(client_id=sent), *Result.objects.filter(client_id=sent)]
        assert len(rows) == 1, number
    assert [row.step for row in run.results.not_retracted()] == ["press", "supply"]
    assert Result.objects.late().get().outcome == "silent"
    assert broken_invariants() == []
