"""Opening a shop in the browser: once, at its address alone, all of it or nothing."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse

from shopkb import environment
from shopkb.accounts.models import AuditRecord, User
from shopkb.accounts.roles import Role
from shopkb.catalog.models import Caution, Platform, System
from shopkb.hosting import choices, first_run, forms, opening
from shopkb.hosting.management.commands.shop import Command
from shopkb.procedures import shipped
from shopkb.procedures.matching import offers
from shopkb.procedures.models import Procedure, Revision
from tests.conftest import FLOWS
from tests.hosting.conftest import OPENING

pytestmark = pytest.mark.django_db


def at(token: str) -> str:
    return reverse("hosting:opening", args=[token])


def said(body: bytes) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", body.decode()).split())


@pytest.fixture
def opened(token: str, client: Client) -> Client:
    answer = client.post(at(token), OPENING)
    assert (answer.status_code, answer.headers["Location"]) == (302, reverse("hosting:next"))
    return client


def test_no_other_page_works_before_and_every_page_says_how(token: str, client: Client) -> None:
    for path in ("/", "/sign-in/", "/jobs/", "/admin/", "/version/", "/nowhere/"):
        answer = client.get(path)
        assert answer.status_code == 503, path
        assert "This shop is not open yet" in said(answer.content)
    assert client.get("/health/").status_code == 200
    assert client.get(at(token)).status_code == 200


def test_the_shop_is_opened_with_its_keeper_its_catalog_and_every_shipped_procedure(opened: Client) -> None:
    keeper = User.objects.get(username="winifred")
    assert (keeper.role, str(keeper), keeper.check_password("teasel and reed")) == (Role.KEEPER, "Winifred", True)
    shipped_keys = {path.stem for path in FLOWS.glob("*.yaml")}
    assert set(Procedure.objects.published().values_list("key", flat=True)) == shipped_keys
    assert set(Revision.objects.values_list("reviewer__username", "author__username")) == {("winifred", "shopkb")}
    assert set(Procedure.objects.values_list("owner__username", flat=True)) == {"winifred"}
    assert System.objects.exists() and Caution.objects.exists()
    assert AuditRecord.objects.filter(action=AuditRecord.Action.PUBLISHED, who="winifred").count() == len(shipped_keys)
    for path in ("hosting:next", "hosting:choices", "home", "jobs:new", "procedures:list"):
        assert opened.get(reverse(path)).status_code == 200, path


@pytest.mark.one_database
def test_nobody_signs_in_as_the_author_of_what_is_shipped(opened: Client) -> None:
    author = User.objects.get(username=shipped.AUTHOR)
    assert not author.is_active
    assert not author.has_usable_password()


@pytest.mark.one_database
def test_every_shipped_procedure_is_offered_for_the_kinds_it_is_for(opened: Client) -> None:
    """By hand: 7 for any vehicle, 12 for engines of petrol or diesel, 1 for petrol, 1 for what has high voltage."""
    expected = {"petrol": 20, "diesel": 19, "hybrid": 8, "electric": 8}
    leaves = [path for path in Platform.objects.values_list("path", flat=True) if "/" in path]
    assert {path: len(offers(platform=path, limit=50)) for path in leaves} == {
        path: expected[path.partition("/")[0]] for path in leaves
    }
    assert len(leaves) == 16


@pytest.mark.one_database
def test_the_address_is_good_once(opened: Client, token: str, client: Client) -> None:
    other = Client()
    for answer in (other.get(at(token)), other.post(at(token), {**OPENING, "username": "mallory"})):
        assert answer.status_code == 404
        assert "A shop is opened once, and this one is open." in said(answer.content)
    assert not User.objects.filter(username="mallory").exists()
    assert [path.name for path in Path(settings.DATA_DIR).iterdir()] == ["choices.json"]


def test_another_token_and_an_earlier_one_are_not_good(token: str, client: Client) -> None:
    later = first_run.new_token()
    for odd in (token, later[:-1], f"{later}a", "x"):
        answer = client.post(at(odd), OPENING)
        assert answer.status_code == 404
        assert "waits to be opened at another address" in said(answer.content)
    assert client.get(at(later)).status_code == 200
    assert not User.objects.exists()


def test_where_the_computer_does_not_say_its_zone_a_person_chooses_it(
    token: str, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forms, "own_zone", lambda: "")
    page = client.get(at(token)).content.decode()
    assert '<option value="" selected>choose the time zone</option>' in page
    assert "It takes a few seconds." in said(page.encode())
    answer = client.post(at(token), {**OPENING, "time_zone": ""})
    assert answer.context["form"].errors == {"time_zone": ["This field is required."]}
    monkeypatch.setattr(forms, "own_zone", lambda: "Europe/Dublin")
    assert '<option value="Europe/Dublin" selected>' in client.get(at(token)).content.decode()


def test_only_a_digest_of_the_token_is_kept(token: str) -> None:
    assert token not in first_run.mark().read_text()
    assert len(token) >= 43  # 256 bits in base64
    assert first_run.mark().stat().st_mode & 0o077 == 0


def test_it_dies_when_a_keeper_is_made_otherwise(token: str, client: Client, keeper: User) -> None:
    assert client.get(at(token)).status_code == 404
    assert client.get("/sign-in/").status_code == 200
    assert not first_run.mark().exists()


def test_no_other_page_works_while_it_is_being_opened_or_after_that_was_cut_short(token: str, client: Client) -> None:
    with first_run.used_once():
        assert client.get("/sign-in/").status_code == 503
        left = first_run.mark().with_suffix(".taken").read_text()
    first_run.mark().with_suffix(".taken").write_text(left)  # the power went
    assert client.get("/sign-in/").status_code == 503
    assert client.get(at(first_run.new_token())).status_code == 200
    assert [path.name for path in Path(settings.DATA_DIR).iterdir()] == ["first-run"]


def test_two_who_open_it_at_once_make_one_keeper(token: str, place: Path) -> None:
    with first_run.used_once(), pytest.raises(first_run.OpenedMeanwhile), first_run.used_once():
        raise AssertionError("both were let in")
    assert not first_run.mark().exists()


def test_an_opening_that_fails_leaves_nothing_and_can_be_done_again(
    token: str, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_args: object, **_more: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(choices.os, "fsync", full)
        client.raise_request_exception = False
        answer = client.post(at(token), OPENING)
    assert answer.status_code == 503
    assert "disk" in said(answer.content)
    assert not User.objects.exists() and not System.objects.exists() and not Procedure.objects.exists()
    assert client.post(at(token), OPENING).status_code == 302


def test_a_faulty_shipped_file_is_named_and_nothing_is_stored(
    token: str, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def faulty(*_args: object, **_more: object) -> None:
        raise shipped.ShippedFaulty("fan.yaml: line 3: no such step.")

    monkeypatch.setattr(opening.shipped, "put_in_force", faulty)
    answer = client.post(at(token), OPENING)
    assert answer.status_code == 422
    assert "fan.yaml: line 3: no such step. Nothing was stored." in said(answer.content)
    assert not User.objects.exists()


WRONG: dict[str, tuple[dict[str, str], str]] = {
    "no name": ({"shop_name": " "}, "This field is required."),
    "a zone that is none": ({"time_zone": "Mars/Olympus"}, "Select a valid choice."),
    "no rate": ({"hourly_rate": "0"}, "Ensure this value is greater than or equal to 1."),
    "a name with blanks": ({"username": "win ifred"}, "Enter a valid username."),
    "the tool's own name": ({"username": "ShopKB"}, "This name belongs to the tool itself. Choose another."),
    "a short password": ({"password": "short", "again": "short"}, "This password is too short."),
    "a common password": ({"password": "password1", "again": "password1"}, "This password is too common."),
    "one like the name": ({"password": "winifred", "again": "winifred"}, "The password is too similar"),
    "another one below": ({"again": "reed and teasel"}, "This is another password than the one above."),
    "not understood": ({"understood": ""}, "This field is required."),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_is_wrong_is_said_and_what_was_typed_stays(token: str, client: Client, case: str) -> None:
    given, words = WRONG[case]
    answer = client.post(at(token), {**OPENING, **given})
    assert answer.status_code == 422
    assert words in said(answer.content)
    assert 'value="75"' in answer.content.decode() or case == "no rate"
    assert not User.objects.exists()


def test_a_shop_with_people_and_no_keeper_is_not_opened_anew(place: Path, junior: User) -> None:
    told = io.StringIO()
    Command(stdout=told)._tell(8000, 0)
    assert told.getvalue().splitlines() == [
        "Serving the shop at http://127.0.0.1:8000/ until Ctrl+C.",
        "No keeper can sign in. Make one in another window: manage.py first_account NAME",
    ]
    assert not first_run.mark().exists()


def test_a_new_shop_is_told_its_address(place: Path) -> None:
    told = io.StringIO()
    Command(stdout=told)._tell(8000, 0)
    found = re.search(r"http://127\.0\.0\.1:8000/shop/open/([^/]+)/", told.getvalue())
    assert found is not None and first_run.is_good(found.group(1))


# What the shop chose


@pytest.mark.one_database
def test_what_was_chosen_holds_at_once_and_after_a_start(opened: Client, place: Path) -> None:
    assert choices.now_in_force() == choices.Choices("Mill Lane Garage", "Europe/Dublin", "km", "€", 75)
    environment.read_choices(place / "choices.json")
    assert environment.text("SHOPKB_SHOP_NAME", "") == "Mill Lane Garage"
    assert environment.number("SHOPKB_HOURLY_RATE", 60) == 75
    assert "Mill Lane Garage" in opened.get("/").content.decode()


def test_a_keeper_changes_it_and_the_environment_goes_first(
    place: Path, keeper: User, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    client.force_login(keeper)
    monkeypatch.setenv("SHOPKB_CURRENCY", "£")
    changed = {
        "shop_name": "Reed Lane",
        "time_zone": "UTC",
        "distance_unit": "miles",
        "hourly_rate": 80,
        "currency": "$",
    }
    assert client.post(reverse("hosting:choices"), changed).status_code == 302
    held = json.loads((place / "choices.json").read_text(encoding="utf-8"))
    assert held == {
        "SHOPKB_SHOP_NAME": "Reed Lane",
        "SHOPKB_TIME_ZONE": "UTC",
        "SHOPKB_DISTANCE_UNIT": "miles",
        "SHOPKB_HOURLY_RATE": "80",
        "SHOPKB_SECOND_BACKUP_DIR": "",
    }
    page = said(client.get(reverse("hosting:choices")).content)
    assert "Decided by the environment of the service" in page


@pytest.mark.parametrize("body", ["{", "[]", '{"SHOPKB_SHOP_NAME": 3}'])
def test_a_file_of_choices_that_cannot_be_read_is_named(place: Path, body: str) -> None:
    (place / "choices.json").write_text(body)
    with pytest.raises(Exception, match=r"choices\.json .*(Mend it|or remove it)"):
        environment.read_choices(place / "choices.json")


def test_a_vehicle_is_booked_in_where_the_catalog_has_none(db: None, client: Client, junior: User) -> None:
    client.force_login(junior)
    asked: dict[str, Any] = {
        "client_id": "6dd1d5c2-6a44-4b0a-a2e5-6ec1b1d2ab01",
        "registration": "ML 1",
        "complaint": "No horn.",
        "complaint_verified": "not-yet",
    }
    answer = client.post(reverse("jobs:new"), asked)
    assert answer.status_code == 302, said(answer.content)
    assert list(Platform.objects.values_list("path", flat=True)) == ["vehicle"]
    again = client.post(reverse("jobs:new"), {**asked, "client_id": "6dd1d5c2-6a44-4b0a-a2e5-6ec1b1d2ab02"})
    assert again.status_code == 422
    assert "Choose the vehicle, or the kind it is of." in said(again.content)
