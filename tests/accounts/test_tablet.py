"""A shared tablet: it changes hands by PIN, locks when it lies idle, and loses nothing that was typed."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape
from typing import Any
from unittest.mock import patch

import pytest
from axes.models import AccessAttempt
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.accounts.pins import people_with_pin, set_pin, validate_pin
from shopkb.accounts.roles import Right
from shopkb.jobs.models import Job
from shopkb.procedures.models import Procedure
from tests import builders
from tests.conftest import person
from tests.rights.table import intake

PIN, OTHER = "472913", "806152"


@pytest.fixture
def ann(junior: User) -> User:
    set_pin(junior, PIN)
    return junior


@pytest.fixture
def ben(db: None) -> User:
    ben = person("ben", "technician")
    set_pin(ben, OTHER)
    return ben


@pytest.fixture
def tablet(ann: User, ben: User) -> Client:
    client = Client()
    sent = {"username": "junior", "password": "junior-knows-it", "shared": "on"}
    assert client.post(reverse("login"), sent).status_code == 302
    return client


def who(client: Client) -> str:
    return User.objects.get(pk=client.session["_auth_user_id"]).username


def switch(client: Client, name: str, pin: str, **more: str) -> HttpResponse:
    return client.post(reverse("switch"), {"username": name, "pin": pin, **more})


def later(minutes: float) -> Any:
    """The clock of signatures, moved on."""
    import time

    now = time.time() + minutes * 60
    return patch("django.core.signing.time.time", lambda: now)


def test_a_pin_changes_hands_and_the_session_is_another(tablet: Client) -> None:
    before = tablet.session.session_key
    assert switch(tablet, "ben", OTHER).status_code == 302
    assert (who(tablet), tablet.session.session_key == before) == ("ben", False)
    assert tablet.get("/").status_code == 200
    old = Client()
    old.cookies["sessionid"] = before
    assert old.get("/").status_code == 302


def test_a_wrong_pin_is_told_and_slowed_and_never_stored(tablet: Client) -> None:
    said = [switch(tablet, "ben", "111222") for _ in range(4)]
    assert [response.status_code for response in said] == [200] * 4
    assert "That is not the PIN of Ben." in unescape(said[0].content.decode())
    assert who(tablet) == "junior"
    kept = AccessAttempt.objects.values_list("get_data", "post_data", "username")
    assert [name for *_data, name in kept] == ["ben"]
    assert "111222" not in str(list(kept))
    assert switch(tablet, "ben", "111222").status_code == 429
    assert switch(tablet, "ben", OTHER).status_code == 429
    assert switch(tablet, "junior", PIN).status_code == 302


def test_without_a_shared_session_a_pin_opens_nothing(ann: User, ben: User) -> None:
    assert switch(Client(), "ben", OTHER)["Location"].startswith("/sign-in/")
    alone = Client()
    alone.post(reverse("login"), {"username": "junior", "password": "junior-knows-it"})
    assert "This device is not shared" in switch(alone, "ben", OTHER).content.decode()
    assert who(alone) == "junior"
    assert alone.post(reverse("login"), {"username": "ben", "password": OTHER}).status_code == 302  # signed in already
    assert Client().post(reverse("login"), {"username": "ben", "password": OTHER, "pin": OTHER}).status_code == 200


def test_who_manages_people_or_is_out_has_none(tablet: Client, keeper: User, ben: User) -> None:
    set_pin(keeper, "918273")
    assert [row.username for row in people_with_pin()] == ["ben", "junior"]
    assert switch(tablet, "keeper", "918273").status_code == 200
    User.objects.filter(pk=ben.pk).update(is_active=False)
    assert switch(tablet, "ben", OTHER).status_code == 200
    assert who(tablet) == "junior"


@pytest.mark.parametrize("name", ["jobs:token", "worker", "health"])
def test_what_the_device_asks_by_itself_keeps_it_open_for_nobody(tablet: Client, name: str) -> None:
    """Touched at once, asked for by the device after 10 minutes: locked 15 minutes after the touch all the same."""
    assert tablet.get("/").status_code == 200
    with later(10):
        assert tablet.get(reverse(name)).status_code == 200
    with later(14):
        tablet.get(reverse(name))
    with later(16):
        assert tablet.get("/")["Location"].startswith("/switch/")


@pytest.mark.parametrize("name", ["jobs:take-form", "jobs:take-photo", "jobs:take-item"])
def test_an_outbox_that_sends_again_and_again_keeps_it_open_for_nobody(
    tablet: Client, horn: Procedure, junior: User, name: str
) -> None:
    """What was refused stays on the device and is sent again every few seconds, whether anybody is there or not."""
    run = builders.start(builders.take_in(junior), horn, junior)
    number = {"jobs:take-item": [run.pk], "jobs:take-photo": [run.job_id]}.get(name, [])
    assert tablet.get("/").status_code == 200
    for minutes in (5, 10, 14):
        with later(minutes):
            sent = tablet.post(reverse(name, args=number), "{}", content_type="application/json")
            assert sent.status_code == 422
    with later(16):
        assert tablet.get("/")["Location"].startswith("/switch/")


def test_it_locks_when_nobody_touches_it(tablet: Client, horn: Procedure) -> None:
    assert tablet.get("/").status_code == 200
    with later(14):
        assert tablet.get(reverse("jobs:list")).status_code == 200  # a touch
    with later(28):
        assert tablet.get(reverse("jobs:token")).status_code == 200  # the device by itself: no touch
        assert tablet.get("/").status_code == 200
    with later(44):
        locked = tablet.get(reverse("jobs:list") + "?words=hot")
        assert (locked.status_code, locked["Location"]) == (302, "/switch/?next=%2Fjobs%2F%3Fwords%3Dhot")
        assert "Locked because nobody was using it" in tablet.get(locked["Location"]).content.decode()
        assert tablet.get("/").status_code == 302
        tablet.cookies.pop("touched")
        assert tablet.get("/").status_code == 302
        assert switch(tablet, "junior", PIN, next="/jobs/?words=hot")["Location"] == "/jobs/?words=hot"
        assert tablet.get("/").status_code == 200


def test_a_sign_of_touch_from_before_is_worth_nothing(tablet: Client) -> None:
    tablet.get("/")
    held = tablet.cookies["touched"].value
    switch(tablet, "ben", OTHER)
    tablet.cookies["touched"] = held
    assert tablet.get("/").status_code == 302


def test_what_was_sent_to_a_locked_tablet_is_kept_for_the_same_person(tablet: Client, horn: Procedure) -> None:
    sent = intake(())
    with later(16):
        locked = tablet.post(reverse("jobs:new"), sent)
        page = locked.content.decode()
        assert "What you typed is kept on this page" in page
        kept = unescape(re.search(r'name="kept" value="([^"]*)"', page)[1])  # type: ignore[index]
        assert "value" in switch(tablet, "junior", "999000", kept=kept).content.decode()
        again = switch(tablet, "junior", PIN, kept=kept).content.decode()
        assert 'action="/jobs/new/"' in again
        fields = {name: unescape(text) for name, text in re.findall(r'name="(\w+)" value="([^"]*)"', again)}
        assert fields.pop("csrfmiddlewaretoken")
        assert fields == {name: str(value) for name, value in sent.items()}
        assert tablet.post(reverse("jobs:new"), fields).status_code == 302
    assert Job.objects.count() == 1


def test_it_is_never_sent_as_somebody_else(tablet: Client, horn: Procedure) -> None:
    with later(16):
        page = tablet.post(reverse("jobs:new"), intake(())).content.decode()
        kept = unescape(re.search(r'name="kept" value="([^"]*)"', page)[1])  # type: ignore[index]
        response = switch(tablet, "ben", OTHER, kept=kept, next="/jobs/")
        assert (response.status_code, response["Location"]) == (302, "/")
        assert "was not sent" in tablet.get("/").content.decode()
        assert switch(tablet, "junior", PIN, kept=kept[:-3] + "AAA").status_code == 302  # forged: nothing is sent
    assert Job.objects.count() == 0


def test_the_outbox_is_told_to_keep_its_items(tablet: Client, horn: Procedure) -> None:
    with later(16):
        at = reverse("jobs:take-item", args=[1])
        response = tablet.post(at, "{}", content_type="application/json")
        assert (response.status_code, "locked" in response.json()["error"]) == (401, True)
        assert tablet.get("/", headers={"HX-Request": "true"}).status_code == 401


def test_pins_end_with_the_sign_in(tablet: Client) -> None:
    moment = timezone.now() + timedelta(hours=12, minutes=1)
    with patch("django.utils.timezone.now", lambda: moment):
        assert tablet.get("/")["Location"].startswith(("/switch/", "/sign-in/"))
        assert "ben" not in tablet.get(reverse("switch"), follow=True).content.decode()
        switch(tablet, "ben", OTHER)
        assert tablet.get("/").status_code == 302


def test_a_switch_does_not_prolong_the_sign_in(tablet: Client) -> None:
    until = tablet.session["shared_until"]
    switch(tablet, "ben", OTHER)
    assert tablet.session["shared_until"] == until
    assert tablet.session.get_expiry_age() <= 12 * 60 * 60


@pytest.mark.parametrize(
    "onward", ["https://evil.example/", "//evil.example/", "javascript:alert(1)", "/\\evil.example"]
)
def test_unlocking_leads_nowhere_else(tablet: Client, onward: str) -> None:
    assert switch(tablet, "junior", PIN, next=onward)["Location"] == "/"


@pytest.mark.parametrize(
    "pin", ["12345", "123456", "987654", "000000", "121212", "12345a", "٣٣٤٥٦٧", "890123", "1" * 13]
)
def test_a_pin_that_is_too_plain_is_refused(pin: str) -> None:
    with pytest.raises(ValidationError):
        validate_pin(pin)


@pytest.mark.parametrize(("pin", "allowed"), [("48205", False), ("482056", True), ("482056391748", True),
                                              ("4820563917482", False)])  # fmt: skip
def test_a_pin_has_six_to_twelve_digits(pin: str, allowed: bool) -> None:
    """None of these is refused for being plain."""
    if allowed:
        validate_pin(pin)
        return
    with pytest.raises(ValidationError):
        validate_pin(pin)


@pytest.mark.parametrize("page", ["pin", "password"])
def test_guessing_a_colleagues_password_at_a_tablet_left_open_is_counted(page: str, senior: User) -> None:
    """The fifth wrong one locks, as at the sign-in page, and the right one is not taken then."""
    client = Client()
    client.force_login(senior, backend="django.contrib.auth.backends.ModelBackend")

    def given(password: str) -> HttpResponse:
        new = {"new_password1": "Reed-warbler-81", "new_password2": "Reed-warbler-81"}
        return client.post(
            reverse(page), {"password": password, "old_password": password, "pin": PIN, "again": PIN, **new}
        )

    assert [given("wrong").status_code for _ in range(4)] == [200] * 4
    assert given("wrong").status_code == 429
    assert given("senior-knows-it").status_code == 429
    senior.refresh_from_db()
    assert senior.pin == "" and senior.check_password("senior-knows-it")


def test_a_pin_opens_the_work_and_not_what_publishes_or_manages(tablet: Client, senior: User, manager: User) -> None:
    for somebody in (senior, manager):
        set_pin(somebody, "591738")
        assert switch(tablet, somebody.username, "591738").status_code == 302
        assert tablet.get(reverse("jobs:list")).status_code == 200
        assert tablet.get(reverse("jobs:new")).status_code == 200
        signed = User.objects.get(pk=somebody.pk)
        assert signed.may(Right.PUBLISH)  # with a password
    page = tablet.get(reverse("reports:figures"))
    assert page.status_code == 403
    assert "You came in with your PIN. Sign in with your password to see the shop" in page.content.decode()


def test_a_person_sets_their_own_with_their_password(senior: User, keeper: User) -> None:
    client = Client()
    client.force_login(senior, backend="django.contrib.auth.backends.ModelBackend")
    sent = {"password": "senior-knows-it", "pin": PIN, "again": PIN}
    for wrong in ({"password": "no"}, {"pin": "123456", "again": "123456"}, {"again": OTHER}):
        assert client.post(reverse("pin"), {**sent, **wrong}).status_code == 200
        senior.refresh_from_db()
        assert senior.pin == ""
    assert client.post(reverse("pin"), sent).status_code == 302
    senior.refresh_from_db()
    assert senior.pin not in ("", PIN)
    client.force_login(keeper, backend="django.contrib.auth.backends.ModelBackend")
    assert "People who manage accounts have no PIN" in client.get(reverse("pin")).content.decode()
    assert client.post(reverse("pin"), {**sent, "password": "keeper-knows-it"}).status_code == 200
    client.post(reverse("admin:accounts_user_changelist"), {"action": "take_pin_away", "_selected_action": [senior.pk]})
    senior.refresh_from_db()
    assert senior.pin == ""


@pytest.mark.parametrize(("more", "locked"), [({}, False), ({"X-Keeping": "yes"}, True)])
def test_a_page_that_the_device_fetches_by_itself_does_not_put_off_the_lock(
    tablet: Client, more: dict[str, str], locked: bool
) -> None:
    """As its worker does, to have the page without the network."""
    assert tablet.get(reverse("jobs:list")).status_code == 200
    with later(10):
        assert tablet.get(reverse("jobs:new"), headers=more).status_code == 200
    with later(20):
        assert (tablet.get(reverse("jobs:list")).status_code == 302) is locked
