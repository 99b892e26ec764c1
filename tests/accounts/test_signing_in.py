"""Signing in: wrong passwords are slowed by name and address, sessions end when they must."""

from __future__ import annotations

from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User

LIMIT = 5


def sign_in(client: Client, name: str, password: str, address: str = "10.0.0.7", **more: str) -> int:
    given = {"username": name, "password": password}
    return client.post(reverse("login"), given, REMOTE_ADDR=address, **more).status_code


def home(client: Client) -> int:
    return client.get("/").status_code


def test_too_many_wrong_passwords_lock_that_name_at_that_address(junior: User, senior: User) -> None:
    client = Client()
    said = [sign_in(client, "junior", "wrong") for _ in range(LIMIT)]
    assert said == [200] * (LIMIT - 1) + [429]
    response = client.post(
        reverse("login"), {"username": "junior", "password": "junior-knows-it"}, REMOTE_ADDR="10.0.0.7"
    )
    assert response.status_code == 429
    assert "again in a quarter of an hour" in response.content.decode()
    assert sign_in(Client(), "senior", "senior-knows-it") == 302
    assert sign_in(Client(), "junior", "junior-knows-it", "10.0.0.8") == 302


def test_a_forged_forwarded_address_is_not_believed(junior: User) -> None:
    for number in range(LIMIT):
        sign_in(Client(), "junior", "wrong", HTTP_X_FORWARDED_FOR=f"192.0.2.{number}")
    assert sign_in(Client(), "junior", "junior-knows-it", HTTP_X_FORWARDED_FOR="192.0.2.99") == 429


def test_the_keeper_lets_them_in_again(junior: User, keeper: User) -> None:
    for _ in range(LIMIT):
        sign_in(Client(), "junior", "wrong")
    client = Client()
    client.force_login(keeper)
    action = {"action": "let_sign_in_again", "_selected_action": [junior.pk]}
    assert client.post(reverse("admin:accounts_user_changelist"), action).status_code == 302
    assert sign_in(Client(), "junior", "junior-knows-it") == 302


def test_the_session_key_changes_and_the_old_one_is_dead(junior: User) -> None:
    client = Client()
    client.force_login(junior)
    planted = client.cookies["sessionid"].value
    client.logout()
    client.cookies["sessionid"] = planted
    assert home(client) == 302
    sign_in(client, "junior", "junior-knows-it")
    assert client.cookies["sessionid"].value != planted
    assert home(client) == 200


def test_a_new_password_ends_every_other_session(junior: User) -> None:
    here, there = Client(), Client()
    for client in (here, there):
        sign_in(client, "junior", "junior-knows-it")
    given = {"old_password": "junior-knows-it", "new_password1": "quite-another-1", "new_password2": "quite-another-1"}
    assert here.post(reverse("password"), given).status_code == 302
    assert (home(here), home(there)) == (200, 302)


def test_who_is_disabled_is_out_at_once(junior: User) -> None:
    client = Client()
    sign_in(client, "junior", "junior-knows-it")
    assert home(client) == 200
    User.objects.filter(pk=junior.pk).update(is_active=False)
    assert home(client) == 302
    assert sign_in(client, "junior", "junior-knows-it") == 200


@pytest.mark.parametrize(
    "onward", ["https://evil.example/", "//evil.example/", "javascript:alert(1)", "/\\evil.example"]
)
def test_signing_in_leads_nowhere_else(junior: User, onward: str) -> None:
    given = {"username": "junior", "password": "junior-knows-it", "next": onward}
    response = Client().post(reverse("login"), given)
    assert (response.status_code, response["Location"]) == (302, "/")


def test_the_first_account_is_a_keeper_with_a_password_of_its_own(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", StringIO("12345678\n"))
    with pytest.raises(CommandError) as refused:
        call_command("first_account", "ann", stdin=True)
    assert refused.value.returncode == 1
    assert "too common" in str(refused.value)
    monkeypatch.setattr("sys.stdin", StringIO("turnstone over the marsh\n"))
    told = StringIO()
    call_command("first_account", "ann", stdin=True, stdout=told)
    assert told.getvalue() == "ann can sign in and manage people.\n"
    assert User.objects.get().role == "keeper"
    assert sign_in(Client(), "ann", "turnstone over the marsh") == 302
    with pytest.raises(CommandError) as refused:
        call_command("first_account", "ben", stdin=True)
    assert str(refused.value) == "There is a keeper already, who can make accounts under People."


def test_a_page_that_comes_late_does_not_put_the_token_of_before_in_the_place_of_the_new_one(junior: User) -> None:
    """A device asks for pages in the background; one asked for before a sign-in carries the old token."""
    client = Client(enforce_csrf_checks=True)
    client.get("/sign-in/")
    before = client.cookies["csrftoken"].value
    late = client.get("/sign-in/")
    assert "csrftoken" not in late.cookies, "the browser has it already"
    sent = {"username": "junior", "password": "junior-knows-it", "csrfmiddlewaretoken": before}
    assert client.post("/sign-in/", sent).status_code == 302
    assert client.cookies["csrftoken"].value != before
