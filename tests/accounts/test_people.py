"""Accounts made and changed by a keeper on pages of our own; nobody locks themselves out."""

from __future__ import annotations

from typing import Any

import pytest
from axes.models import AccessAttempt
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import AuditRecord, User
from shopkb.accounts.people import PersonForm
from shopkb.accounts.roles import Role

pytestmark = pytest.mark.django_db
PASSWORD = "reed-bed-lantern-7"


@pytest.fixture
def signed_in(client: Client, keeper: User) -> Client:
    client.force_login(keeper)
    return client


def filled(**other: str) -> dict[str, str]:
    return {"username": "nia", "called": "Nia", "role": Role.TECHNICIAN, "password": PASSWORD, **other}


def test_a_new_person_signs_in_with_the_first_password(signed_in: Client) -> None:
    assert signed_in.post(reverse("person-new"), filled()).status_code == 302
    nia = User.objects.get(username="nia")
    assert (str(nia), nia.role, nia.is_active, nia.is_staff, nia.is_superuser) == (
        "Nia",
        "technician",
        True,
        False,
        False,
    )
    visitor = Client()
    answer = visitor.post(reverse("login"), {"username": "nia", "password": PASSWORD})
    assert answer.status_code == 302
    assert AuditRecord.objects.filter(action=AuditRecord.Action.PERSON, what="nia made, technician").exists()


@pytest.mark.parametrize(
    ("other", "said"),
    [
        ({"password": "12345678"}, "too common"),
        ({"password": ""}, "This field is required."),
        ({"username": "keeper"}, "already exists"),
        ({"role": "owner"}, "Select a valid choice"),
        ({"username": "KEEPER"}, "Somebody signs in as “keeper” already"),
        ({"username": "\uff4beeper"}, "Somebody signs in as “keeper” already"),
        ({"username": "new"}, "This word stands in the address of a page"),
        ({"username": "nia@shop"}, "Letters, digits and . _ - only"),
        ({"username": "nia-of-the-reeds", "password": "nia-of-the-reeds7"}, "too similar to the username"),
    ],
)
def test_what_is_wrong_is_said_at_its_field(signed_in: Client, keeper: User, other: dict[str, str], said: str) -> None:
    User.objects.filter(pk=keeper.pk).update(username="keeper")
    answer = signed_in.post(reverse("person-new"), filled(**other))
    assert answer.status_code == 422 and said in answer.content.decode()
    assert not User.objects.filter(username="nia").exists()


def test_a_form_sent_twice_at_once_makes_one_account(signed_in: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    save = PersonForm.save

    def after_the_other(form: PersonForm, commit: bool = True) -> User:
        User.objects.create_user("nia")
        return save(form, commit)

    monkeypatch.setattr(PersonForm, "save", after_the_other)
    answer = signed_in.post(reverse("person-new"), filled())
    assert answer.status_code == 422 and "Somebody made this account a moment ago" in answer.content.decode()


def test_a_change_keeps_the_password_unless_a_new_one_is_typed(signed_in: Client, junior: User) -> None:
    junior.set_password(PASSWORD)
    junior.save()
    at = reverse("person", args=[junior.username])
    given = {"username": junior.username, "called": "Jun", "role": Role.WRITER, "is_active": "on"}
    assert signed_in.post(at, given).status_code == 302
    junior.refresh_from_db()
    assert (junior.called, junior.role) == ("Jun", Role.WRITER) and junior.check_password(PASSWORD)
    signed_in.post(at, {**given, "password": "another-reed-bed-9"})
    junior.refresh_from_db()
    assert junior.check_password("another-reed-bed-9")


def test_who_may_not_sign_in_any_more_is_out_at_once_and_keeps_the_name(signed_in: Client, junior: User) -> None:
    theirs = Client()
    theirs.force_login(junior)
    given = {"username": junior.username, "called": "Jun", "role": junior.role}
    signed_in.post(reverse("person", args=[junior.username]), given)
    assert theirs.get("/").status_code == 302
    assert "may not sign in" in " ".join(signed_in.get(reverse("people")).content.decode().split())


@pytest.mark.parametrize(("field", "value"), [("role", "technician"), ("is_active", "")])
def test_a_keeper_does_not_lock_themselves_out(signed_in: Client, keeper: User, field: str, value: str) -> None:
    given = {"username": keeper.username, "role": Role.KEEPER, "is_active": "on", field: value}
    answer = signed_in.post(reverse("person", args=[keeper.username]), {k: v for k, v in given.items() if v})
    assert answer.status_code == 422 and "Another keeper can do this." in answer.content.decode()
    keeper.refresh_from_db()
    assert keeper.is_active and keeper.role == Role.KEEPER


def test_a_keeper_who_changes_their_own_password_stays_signed_in(signed_in: Client, keeper: User) -> None:
    given = {"username": keeper.username, "role": Role.KEEPER, "is_active": "on", "password": PASSWORD}
    signed_in.post(reverse("person", args=[keeper.username]), given)
    assert signed_in.get(reverse("people")).status_code == 200


def test_who_was_locked_out_or_lost_a_pin_is_helped(signed_in: Client, junior: User) -> None:
    visitor = Client(REMOTE_ADDR="198.51.100.7")
    for _ in range(6):
        visitor.post(reverse("login"), {"username": junior.username, "password": "wrong"})
    assert AccessAttempt.objects.filter(username=junior.username).exists()
    signed_in.post(reverse("person-act", args=[junior.username, "sign-in-again"]))
    assert not AccessAttempt.objects.filter(username=junior.username).exists()
    User.objects.filter(pk=junior.pk).update(pin="a hash")
    signed_in.post(reverse("person-act", args=[junior.username, "no-pin"]))
    junior.refresh_from_db()
    assert junior.pin == ""
    assert signed_in.post(reverse("person-act", args=[junior.username, "none"])).status_code == 404


def test_a_refused_name_leaves_the_help_on_the_page_with_whose_page_it_is(
    signed_in: Client, junior: User, second: User
) -> None:
    User.objects.filter(pk=second.pk).update(pin="some hash")
    typed = {**filled(), "username": second.username, "is_active": "on", "password": ""}
    answer = signed_in.post(reverse("person", args=[junior.username]), typed)
    assert answer.status_code == 422
    told = answer.content.decode()
    assert reverse("person-act", args=[junior.username, "sign-in-again"]) in told
    assert reverse("person-act", args=[second.username, "sign-in-again"]) not in told
    assert f"Let {junior} sign in again" in told


def test_two_keepers_do_not_take_the_role_from_each_other_at_once(
    signed_in: Client, keeper: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other one's change is stored while this one's is on its way."""
    other = User.objects.create_user("osgood", called="Osgood", role=Role.KEEPER)
    checked = PersonForm.clean

    def meanwhile(form: PersonForm) -> dict[str, Any]:
        User.objects.filter(pk=keeper.pk).update(role=Role.TECHNICIAN)
        return checked(form)

    monkeypatch.setattr(PersonForm, "clean", meanwhile)
    sent = filled(username="osgood", called="Osgood", role="technician", is_active="on", password="")
    assert signed_in.post(reverse("person", args=["osgood"]), sent).status_code == 403
    other.refresh_from_db()
    assert other.role == Role.KEEPER
