"""Dear work is bounded: a few at once, a few waiting, the rest told so at once; nobody's slot is lost."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from typing import Any

import pytest
from django.contrib.auth.hashers import PBKDF2PasswordHasher
from django.test import Client
from django.urls import reverse

from shopkb.accounts import hashing
from shopkb.accounts.hashing import BoundedPasswordHasher, signing_in
from shopkb.accounts.models import User
from shopkb.accounts.slots import MOST_TOGETHER, Slots, TooBusy
from shopkb.procedures.drawing import drawing_slots, page_slots
from shopkb.procedures.models import Procedure
from shopkb.reports.urls import figure_slots
from tests.builders import signed_in


def test_never_more_at_once_than_there_are_places() -> None:
    slots = Slots("Busy.", at_once=2, waiting=3, seconds=30)
    lock, now, most, refused = threading.Lock(), [0], [0], [0]
    go = threading.Event()
    gate = threading.Barrier(9)

    def work(_number: int) -> None:
        gate.wait(20)
        try:
            with slots.taken():
                with lock:
                    now[0] += 1
                    most[0] = max(most[0], now[0])
                go.wait(20)
                with lock:
                    now[0] -= 1
        except TooBusy:
            with lock:
                refused[0] += 1
                if refused[0] == 4:
                    go.set()

    with ThreadPoolExecutor(9) as people:
        list(people.map(work, range(9)))
    assert (most[0], refused[0]) == (2, 4)
    with slots.taken(), slots.taken():
        pass


def test_one_owner_has_a_share_and_the_others_theirs() -> None:
    slots = Slots("Busy.", at_once=2, waiting=0, seconds=1, each=1)
    with slots.taken("ann"):
        with pytest.raises(TooBusy, match="Busy"), slots.taken("ann"):
            pass
        with slots.taken("ben"):
            pass
    with slots.taken("ann"):
        pass


def test_whoever_waits_too_long_is_told_and_leaves_nothing_behind() -> None:
    slots = Slots("Busy.", at_once=1, waiting=1, seconds=0.05)
    with slots.taken(), pytest.raises(TooBusy), slots.taken():
        pass
    with pytest.raises(ValueError, match="own"), slots.taken():
        raise ValueError("own")
    with slots.taken():
        pass


def test_all_slots_together_leave_threads_for_everything_else() -> None:
    """Each kind within its own bound, and yet no more than so many threads; none is lost when they end."""
    kinds = [Slots("Busy.", at_once=4, waiting=0, seconds=1) for _ in range(2)]
    with ExitStack() as held:
        for number in range(MOST_TOGETHER):
            held.enter_context(kinds[number % 2].taken())
        with pytest.raises(TooBusy), kinds[0].taken():
            pass
    with ExitStack() as held:
        for number in range(MOST_TOGETHER):
            held.enter_context(kinds[number % 2].taken())


@pytest.mark.django_db
@pytest.mark.parametrize("name", ["reports:figures", "reports:order", "reports:replay"])
def test_figures_on_top_of_enough_others_are_refused_in_words(
    horn: Procedure, senior: User, manager: User, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """A person's fourth page at once; somebody else is served meanwhile."""
    person = manager if name == "reports:figures" else senior
    client, address = signed_in(person), reverse(name, args=[] if name == "reports:figures" else ["horn-silent", 1])
    with monkeypatch.context() as busy:
        busy.setitem(figure_slots._owners, person.pk, 3)
        response = client.get(address)
    assert response.status_code == 429
    assert "have figures on the way" in response.content.decode()
    with monkeypatch.context() as busy:
        busy.setitem(figure_slots._owners, person.pk + 1000, 3)
        assert client.get(address).status_code == 200


@pytest.mark.django_db
def test_a_chart_on_top_of_enough_others_leaves_the_page_with_its_list(
    horn: Procedure, junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    client, address = signed_in(junior), reverse("procedures:revision", args=["horn-silent", 1])
    with monkeypatch.context() as busy:
        busy.setitem(page_slots._owners, "others", 4)
        page = client.get(address)
    assert page.status_code == 200
    assert "Other charts are being drawn just now" in page.content.decode()
    again = client.get(address).content.decode()
    assert "Other charts are being drawn" not in again
    assert "<svg" in again


def test_the_bounded_hash_is_the_one_that_was_stored_before() -> None:
    """Held against Django's own hasher."""
    hasher = BoundedPasswordHasher()
    stored = hasher.encode("lètmein", "seasalt", 1)
    assert hasher.verify("lètmein", stored)
    assert not hasher.verify("letmein", stored)
    assert PBKDF2PasswordHasher().encode("lètmein", "seasalt", 1) == stored


@pytest.mark.django_db
def test_a_sign_in_on_top_of_enough_others_is_answered_in_words(
    junior: User, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.PASSWORD_HASHERS = ["shopkb.accounts.hashing.BoundedPasswordHasher"]
    full = Slots(signing_in._words, at_once=1, waiting=0, seconds=1)
    monkeypatch.setattr(hashing, "signing_in", full)
    client = Client()
    given = {"username": "nobody", "password": "whatever"}
    with full.taken():
        response = client.post(reverse("login"), given)
    assert response.status_code == 429
    assert response["Retry-After"] == "5"
    assert "Many people are signing in at this moment" in response.content.decode()
    assert "Go back: what you typed still stands there" in response.content.decode()
    assert client.get(reverse("login")).status_code == 200


@pytest.mark.django_db
@pytest.mark.parametrize("name", ["paper", "chart"])
def test_forms_and_charts_on_top_of_enough_others_too(horn: Procedure, junior: User, name: str) -> None:
    arguments = ["horn-silent", 1, *(["png"] if name == "chart" else [])]
    address = reverse(f"procedures:{name}", args=arguments)
    client = signed_in(junior)
    with drawing_slots.taken(junior.pk), drawing_slots.taken(junior.pk):
        response = client.get(address)
    assert response.status_code == 429
    assert "have a form or chart on the way" in response.content.decode()
    assert client.get(address).status_code == 200
