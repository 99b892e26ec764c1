"""A null character is no text, and PostgreSQL stores none: whatever carries one is answered 400 in words."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.jobs.models import Job
from shopkb.procedures.models import Procedure
from tests import builders
from tests.rights.table import intake

SAYS = "What was sent contains a character that is not text"


@pytest.fixture
def client(junior: User, horn: Procedure) -> Client:
    client = Client(raise_request_exception=False)
    client.force_login(junior)
    return client


def refused(response: Any) -> bool:
    assert "no-store" in response["Cache-Control"]
    assert response["Content-Security-Policy"]
    return response.status_code == 400 and SAYS in response.content.decode()


@pytest.mark.parametrize("field", ["client_id", "registration", "complaint", "comeback_of", "settle"])
def test_in_a_field_or_its_name(client: Client, field: str) -> None:
    sent = intake(())
    assert refused(client.post(reverse("jobs:new"), {**sent, field: "a\x00b"}))
    assert refused(client.post(reverse("jobs:new"), {**sent, f"{field}\x00": "a"}))
    assert Job.objects.count() == 0


@pytest.mark.parametrize("name", ["jobs:list", "procedures:list", "jobs:new"])
def test_behind_the_question_mark(client: Client, name: str) -> None:
    assert refused(client.get(reverse(name), {"words": "\x00"}))
    assert refused(client.get(reverse(name) + "?procedure=horn%00&step=press&outcome=a"))


def test_in_a_part_of_the_address(client: Client) -> None:
    assert refused(client.get("/jobs/photos/a%00b.jpg"))


def test_in_a_cookie_of_a_visitor(horn: Procedure) -> None:
    """Octal escapes in a quoted cookie are read as the characters they stand for."""
    client = Client(raise_request_exception=False)
    assert refused(client.get("/", HTTP_COOKIE=r'sessionid="a\000b"'))


def test_in_the_sign_in(db: None) -> None:
    client = Client(raise_request_exception=False)
    assert refused(client.post(reverse("login"), {"username": "a\x00", "password": "b"}))


def test_in_a_form_that_asks_for_a_step(client: Client, horn: Procedure, junior: User) -> None:
    run = builders.start(builders.take_in(junior), horn, junior)
    at = reverse("jobs:answer", args=[run.pk, "press"])
    assert refused(client.post(at, {"client_id": "\x00", "outcome": "click"}))
    assert run.results.count() == 0


def test_a_forged_form_is_refused_as_that(junior: User) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(junior)
    assert client.post(reverse("jobs:new"), {"complaint": "\x00"}).status_code == 403
