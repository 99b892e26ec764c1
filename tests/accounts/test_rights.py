"""Roles and rights: the table written out by hand, the sentences of refusals, and who gets into the admin."""

from __future__ import annotations

import pytest
from django.contrib.auth.models import AnonymousUser
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.accounts.roles import RIGHTS, Right, Role, may, require
from tests.builders import signed_in, words_of
from tests.conftest import person

# What the people of the shop may do, as the shop says it: technician, writer, manager, keeper.
TABLE = {
    Right.READ: "yes yes yes yes",
    Right.WORK: "yes yes yes yes",
    Right.REOPEN: "no yes yes yes",
    Right.WRITE: "no yes no yes",
    Right.PUBLISH: "no yes yes yes",
    Right.CATALOG: "no yes no yes",
    Right.REPORT: "no no yes yes",
    Right.PEOPLE: "no no no yes",
    Right.UPKEEP: "no no no yes",
    Right.VEHICLES: "no no no yes",
}
CELLS = [
    (right, role, word == "yes") for right, row in TABLE.items() for role, word in zip(Role, row.split(), strict=True)
]


def test_the_table_names_every_right_and_role() -> None:
    assert set(TABLE) == set(Right)
    assert set(RIGHTS) == set(Role)


@pytest.mark.parametrize(("right", "role", "allowed"), CELLS, ids=[f"{role}-{right.name}" for right, role, _ in CELLS])
def test_each_role_may_what_the_table_says(right: Right, role: Role, allowed: bool) -> None:
    someone = User(username="x", role=role)
    assert may(someone, right) == someone.may(right) == allowed
    if allowed:
        require(someone, right)
        return
    holders = ", ".join(one for one, word in zip(Role, TABLE[right].split(), strict=True) if word == "yes")
    with pytest.raises(PermissionDenied) as refused:
        require(someone, right)
    assert str(refused.value) == f"Your role does not let you {right.value}. These roles may: {holders}."


@pytest.mark.parametrize("right", Right)
def test_nobody_may_anything_who_is_dismissed_or_not_signed_in(right: Right) -> None:
    assert not may(User(username="x", role=Role.KEEPER, is_active=False), right)
    assert not may(User(username="x", role=Role.KEEPER, is_active=False, is_superuser=True), right)
    assert not may(AnonymousUser(), right)  # type: ignore[arg-type]
    assert may(User(username="x", is_superuser=True), right)


def test_a_role_that_is_none_cannot_stand_in_the_database(db: None) -> None:
    someone = person("x", "technician")
    with pytest.raises(IntegrityError), transaction.atomic():
        User.objects.filter(pk=someone.pk).update(role="owner")


def test_people_are_called_as_the_shop_calls_them() -> None:
    assert str(User(username="ann", called="Annie", first_name="Ann", last_name="Marsh")) == "Annie"
    assert str(User(username="ann", first_name="Ann", last_name="Marsh")) == "Ann Marsh"
    assert str(User(username="ann")) == "ann"


# Signing in


def test_signing_in_and_out(junior: User, client: Client) -> None:
    wrong = client.post(reverse("login"), {"username": "junior", "password": "guess"})
    assert wrong.status_code == 200
    assert "You are not signed in Please enter a correct username and password." in words_of(wrong)
    right = {"username": "junior", "password": "junior-knows-it", "next": reverse("jobs:list")}
    assert client.post(reverse("login"), right)["Location"] == reverse("jobs:list")
    assert "Junior" in words_of(client.get(reverse("home")))
    assert client.post(reverse("logout"))["Location"] == reverse("login")
    assert client.get(reverse("home")).status_code == 302


def test_signing_in_leads_nowhere_else(junior: User, client: Client) -> None:
    sent = {"username": "junior", "password": "junior-knows-it", "next": "https://example.org/"}
    assert client.post(reverse("login"), sent)["Location"] == reverse("home")


def test_somebody_dismissed_is_out_at_once(junior: User) -> None:
    client = signed_in(junior)
    assert client.get(reverse("home")).status_code == 200
    junior.is_active = False
    junior.save()
    assert client.get(reverse("home")).status_code == 302


def test_a_link_does_not_sign_out(junior: User) -> None:
    client = signed_in(junior)
    assert client.get(reverse("logout")).status_code == 405
    assert client.get(reverse("home")).status_code == 200


# The admin


@pytest.mark.parametrize("role", Role)
def test_who_gets_into_which_part_of_the_admin(db: None, role: Role) -> None:
    client = signed_in(person("x", role))
    for right, name in ((Right.CATALOG, "catalog"), (Right.PEOPLE, "accounts")):
        response = client.get(reverse("admin:app_list", args=[name]))
        may_enter = TABLE[right].split()[list(Role).index(role)] == "yes"
        gets_in = TABLE[Right.CATALOG].split()[list(Role).index(role)] == "yes"
        assert response.status_code == (200 if may_enter else 404 if gets_in else 302), name


def test_a_role_taken_away_closes_the_admin(keeper: User) -> None:
    assert keeper.is_staff
    keeper.role = Role.TECHNICIAN
    keeper.save()
    assert not User.objects.get(pk=keeper.pk).is_staff
    assert signed_in(keeper).get(reverse("admin:index")).status_code == 302


def test_a_persons_figures_are_theirs_and_the_managers(junior: User, senior: User, manager: User) -> None:
    everybody = {junior, senior, manager}
    assert {viewer: set(User.people.visible_to(viewer)) for viewer in everybody} == {
        junior: {junior},
        senior: {senior},
        manager: everybody,
    }
    junior.is_active = False
    assert set(User.people.visible_to(junior)) == set()
