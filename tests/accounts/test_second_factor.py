"""The second factor of those who write, manage and keep: asked after the password, before any page opens."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pyotp
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts import second_factor
from shopkb.accounts.models import RecoveryCode, SecondFactor, User
from shopkb.accounts.pins import set_pin
from tests.accounts.test_signing_in import LIMIT, sign_in

pytestmark = pytest.mark.django_db

# RFC 6238, appendix B, SHA-1, eight digits; ours are the last six. Secret "12345678901234567890".
RFC_SECRET = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"
RFC_CODES = ((59, "94287082"), (1111111109, "07081804"), (1234567890, "89005924"), (20000000000, "65353130"))


def code_now(secret: str, later: int = 0) -> str:
    return pyotp.TOTP(secret).at(timezone.now() + timedelta(seconds=later))


@pytest.fixture
def secret(senior: User) -> str:
    """A writer's second factor, set up a day ago."""
    secret = second_factor.new_secret()
    before = timezone.now() - timedelta(days=1)
    assert second_factor.set_up(senior, secret, pyotp.TOTP(secret).at(before), at=before)
    return secret


def give(client: Client, code: str, **more: str) -> int:
    return client.post(reverse("second-factor"), {"code": code, **more}, REMOTE_ADDR="10.0.0.7").status_code


def opens(client: Client, address: str = "/") -> bool:
    return client.get(address).status_code == 200


@pytest.mark.parametrize(("seconds", "code"), RFC_CODES)
def test_codes_are_those_of_the_standard(senior: User, seconds: int, code: str) -> None:
    at = datetime.fromtimestamp(seconds, tz=UTC)
    assert second_factor.set_up(senior, RFC_SECRET, code[2:], at=at) is not None
    assert not second_factor.accept(senior, code[2:], at=at), "good once"


def test_no_page_opens_before_the_code(secret: str) -> None:
    client = Client()
    assert sign_in(client, "senior", "senior-knows-it") == 302
    for address in ("/", "/procedures/", "/jobs/", "/admin/", "/pin/", "/password/", "/second-factor/set/"):
        response = client.get(address)
        assert response.status_code == 302
        assert response["Location"].startswith("/second-factor/"), address
    item = client.post("/jobs/runs/1/outbox/", "{}", content_type="application/json")
    assert item.status_code == 401
    assert give(client, code_now(secret), next="/procedures/") == 302
    assert opens(client)
    assert opens(client, "/procedures/")


def test_a_code_is_good_once_and_only_near_its_time(secret: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The clock stands in the middle of a step: a code must not come of age between two requests."""
    now = timezone.now()
    middle = now - timedelta(seconds=now.timestamp() % 30 - 15)
    monkeypatch.setattr("django.utils.timezone.now", lambda: middle)
    for later, good in ((-60, False), (-30, True), (30, True), (60, False)):
        SecondFactor.objects.update(last_step=0)
        client = Client()
        sign_in(client, "senior", "senior-knows-it")
        code = code_now(secret, later)
        assert (give(client, code) == 302) is good, later
        other = Client()
        sign_in(other, "senior", "senior-knows-it")
        assert give(other, code) == 422, "nobody uses it again"


def test_wrong_codes_lock_though_the_password_is_right_again_and_again(secret: str, keeper: User, senior: User) -> None:
    said = []
    for _ in range(LIMIT):
        client = Client()
        sign_in(client, "senior", "senior-knows-it")
        said.append(give(client, "000000"))
    assert said == [422] * (LIMIT - 1) + [429]
    client = Client()
    sign_in(client, "senior", "senior-knows-it")
    assert give(client, code_now(secret)) == 429
    admin = Client()
    admin.force_login(keeper)
    action = {"action": "let_sign_in_again", "_selected_action": [senior.pk]}
    admin.post(reverse("admin:accounts_user_changelist"), action)
    assert give(client, code_now(secret)) == 302


def test_it_is_set_up_with_password_and_first_code_and_gives_recovery_codes(senior: User) -> None:
    client = Client()
    sign_in(client, "senior", "senior-knows-it")
    page = client.get(reverse("second-factor-set")).content.decode()
    secret = "".join(re.findall(r"Key: <code>([A-Z2-7 ]+)</code>", page)[0].split())
    assert "<svg" in page
    wrong = {"password": "wrong", "code": code_now(secret)}
    assert client.post(reverse("second-factor-set"), wrong).status_code == 422
    late = {"password": "senior-knows-it", "code": code_now(secret, -600)}
    assert "This is not the code of now" in client.post(reverse("second-factor-set"), late).content.decode()
    assert not SecondFactor.objects.exists()
    right = {"password": "senior-knows-it", "code": code_now(secret)}
    shown = client.post(reverse("second-factor-set"), right).content.decode()
    codes = re.findall(r"<code>([a-z2-9-]{14})</code>", shown)
    assert len(set(codes)) == second_factor.CODES
    assert not RecoveryCode.objects.filter(digest__in=codes).exists(), "only digests are kept"
    for code, answer in ((codes[0], 302), (codes[0], 422), (codes[1].upper().replace("-", " "), 302)):
        other = Client()
        sign_in(other, "senior", "senior-knows-it")
        assert give(other, code) == answer
    assert second_factor.codes_left(senior) == second_factor.CODES - 2


def test_technicians_need_none(junior: User) -> None:
    client = Client()
    sign_in(client, "junior", "junior-knows-it")
    assert "Your account needs none" in client.get(reverse("second-factor-set")).content.decode()
    assert not second_factor.is_for(junior)


def test_where_it_is_required_nothing_opens_until_it_is_set(settings: Any, manager: User, junior: User) -> None:
    settings.SECOND_FACTOR = "required"
    client = Client()
    sign_in(client, "manager", "manager-knows-it")
    assert client.get("/figures/")["Location"].startswith("/second-factor/set/")
    page = client.get(reverse("second-factor-set")).content.decode()
    secret = "".join(re.findall(r"Key: <code>([A-Z2-7 ]+)</code>", page)[0].split())
    client.post(reverse("second-factor-set"), {"password": "manager-knows-it", "code": code_now(secret)})
    assert opens(client, "/figures/")
    other = Client()
    sign_in(other, "junior", "junior-knows-it")
    assert opens(other)


def test_where_it_is_off_nothing_is_asked(settings: Any, secret: str) -> None:
    settings.SECOND_FACTOR = "off"
    client = Client()
    sign_in(client, "senior", "senior-knows-it")
    assert opens(client)


def test_a_pin_opens_the_work_at_the_vehicle_and_nothing_that_the_factor_guards(secret: str, senior: User) -> None:
    set_pin(senior, "806152")
    client = Client()
    client.post(reverse("login"), {"username": "senior", "password": "senior-knows-it", "shared": "on"})
    give(client, code_now(secret))
    client.post(reverse("switch"), {"username": "senior", "pin": "806152"})
    assert opens(client, "/jobs/")
    assert client.get("/procedures/new/").status_code == 403
    assert client.get("/admin/catalog/caution/").status_code in (302, 403)


def test_a_keeper_takes_a_lost_one_away(secret: str, keeper: User, senior: User) -> None:
    client = Client()
    client.force_login(keeper)
    action = {"action": "take_second_factor_away", "_selected_action": [senior.pk]}
    assert client.post(reverse("admin:accounts_user_changelist"), action).status_code == 302
    other = Client()
    sign_in(other, "senior", "senior-knows-it")
    assert opens(other)
    assert not RecoveryCode.objects.exists()


def test_the_admins_own_door_asks_too(secret: str) -> None:
    client = Client()
    client.post(reverse("admin:login"), {"username": "senior", "password": "senior-knows-it"})
    assert client.get("/admin/catalog/caution/")["Location"].startswith("/second-factor/")
