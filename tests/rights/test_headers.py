"""What every answer says to the browser: pages, files, refusals, the admin, and a fault of the program."""

from __future__ import annotations

import pytest
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.procedures.models import Procedure
from shopkb.reports import home

pytestmark = pytest.mark.one_database

PAGES = {
    "/": 200,
    "/sign-in/": 302,
    "/password/": 200,
    "/procedures/": 200,
    "/procedures/horn-silent/": 200,
    "/procedures/horn-silent/1/chart.svg": 200,
    "/procedures/horn-silent/1/file": 200,
    "/jobs/": 200,
    "/no-such-page/": 404,
    "/jobs/999999/": 404,
    "/health/": 200,
    "/admin/": 200,
    "/admin/accounts/user/": 200,
    "/admin/catalog/system/": 200,
    "/admin/catalog/system/add/": 200,
}


def wrong_with(response: HttpResponse) -> list[str]:
    policy = response.get("Content-Security-Policy", "")
    rules = dict(rule.strip().partition(" ")[::2] for rule in policy.split(";") if rule.strip())
    found = [
        f"{word} in the policy" for word in ("unsafe-inline", "unsafe-eval", "http:", "https:", "*") if word in policy
    ]
    for name, value in {"default-src": "'none'", "script-src": "'self'", "frame-ancestors": "'none'"}.items():
        if rules.get(name) != value:
            found.append(f"{name} is {rules.get(name)}")
    if "no-store" not in response.get("Cache-Control", ""):
        found.append(f"Cache-Control is {response.get('Cache-Control')}")
    expected = {"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "same-origin"}
    return found + [
        f"{name} is {response.get(name)}" for name, value in expected.items() if response.get(name) != value
    ]


@pytest.fixture
def client(keeper: User, horn: Procedure) -> Client:
    client = Client(raise_request_exception=False)
    client.force_login(keeper)
    return client


@pytest.mark.parametrize("path", PAGES)
def test_each_page(client: Client, path: str) -> None:
    response = client.get(path)
    assert response.status_code == PAGES[path]
    assert wrong_with(response) == []


def test_a_refusal(horn: Procedure, junior: User) -> None:
    client = Client()
    client.force_login(junior)
    response = client.get(reverse("procedures:new"))
    assert response.status_code == 403
    assert wrong_with(response) == []


def test_a_missing_token(keeper: User) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(keeper)
    response = client.post(reverse("jobs:new"))
    assert response.status_code == 403
    assert wrong_with(response) == []


def test_a_fault_of_the_program(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails() -> None:
        raise RuntimeError("secret inside")

    monkeypatch.setattr(home.Run.objects, "under_way", fails)
    response = client.get("/")
    assert response.status_code == 500
    assert "secret inside" not in response.content.decode()
    assert wrong_with(response) == []


def test_a_visitor_on_another_host_is_refused() -> None:
    response = Client().get("/sign-in/", HTTP_HOST="evil.example")
    assert response.status_code == 400
