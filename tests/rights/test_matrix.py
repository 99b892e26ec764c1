"""Roles x routes x own, other's and archived things: who may open and send what, and what that changes."""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.core.cache import cache
from django.core.management import get_commands
from django.db import connection, reset_queries, transaction
from django.http import HttpResponse
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.accounts.tablet import SHARED_UNTIL, TOUCHED_BY
from shopkb.evidence.cache import clear_all
from shopkb.procedures.models import Procedure
from tests.conftest import person
from tests.proof import note
from tests.rights import state
from tests.rights.routes import routes
from tests.rights.scene import OWN, WHOSE, Scene, make_scene
from tests.rights.table import ADMIN, COMMANDS, TABLE, Row

pytestmark = pytest.mark.one_database

BACKEND = "django.contrib.auth.backends.ModelBackend"
ROLES = {"t": "technician", "w": "writer", "m": "manager", "k": "keeper"}
OURS = [route.name for route in routes() if not route.address.startswith("admin/")]
OF_THE_ADMIN = [route.name for route in routes() if route.address.startswith("admin/")]
GENERAL_ADMIN = {
    "admin:index",
    "admin:login",
    "admin:logout",
    "admin:password_change",
    "admin:password_change_done",
    "admin:autocomplete",
    "admin:jsi18n",
    "admin:view_on_site",
    "admin:app_list",
    "admin/(?P<url>.*)$",
}


@pytest.fixture
def mate(db: None) -> User:
    return person("mate", "writer")


@pytest.fixture(params=sorted(ROLES))
def letter(request: pytest.FixtureRequest) -> str:
    return request.param


@pytest.fixture
def actor(letter: str, db: None) -> User:
    return person("actor", ROLES[letter])


@pytest.fixture
def scene(actor: User, mate: User, second: User, horn: Procedure) -> Scene:
    return make_scene(actor, mate, second, horn)


@pytest.fixture
def client(actor: User) -> Client:
    client = Client(raise_request_exception=True)
    client.force_login(actor, backend=BACKEND)
    return client


def address(name: str, row: Row, scene: Scene, whose: str) -> str:
    """Where it stands; a route without a name is its own address."""
    if "." in name:
        return f"/{name}"
    return reverse(name, args=[*scene.arguments(row.on, whose), *row.more])


TEXT_KEYS = {"procedure", "draft", "in-review", "published", "photo", "person", "kind", "entry"}


class Undone(Exception):
    """Ends a trial; everything it stored is rolled back."""


def trial(
    client: Client, method: str, at: str, sent: dict[str, Any] | None = None, **headers: str
) -> tuple[HttpResponse, set[str]]:
    """The answer, and the tables that it changed; then everything is as before.

    Rows are compared only where a statement wrote at all, which is quicker and as strict.
    """
    reset_queries()  # else a long run comes to the end of what Django keeps of them
    held = dict(client.cookies)
    changed: set[str] = set()
    response = HttpResponse()
    try:
        with transaction.atomic():
            with CaptureQueriesContext(connection) as asked:
                response = client.generic(method, at) if sent is None else client.post(at, sent, headers=headers)
            after = state.rows() if state.writes(asked.captured_queries) else None
            raise Undone
    except Undone:
        client.cookies.clear()
        client.cookies.update(held)
        cache.clear()
        clear_all()
    if after is not None:
        before = state.rows()
        changed = {table for table in before if before[table] != after[table]}
    return response, changed


def rows() -> Iterator[tuple[str, Row, str]]:
    """Each configured route with its row, once for each kind of owner."""
    for name, row in TABLE.items():
        if name in OURS:
            yield from ((name, row, whose) for whose in (WHOSE if row.on else WHOSE[:1]))


def test_each_route_has_a_row() -> None:
    assert [name for name in OURS if name not in TABLE] == []
    note("routes in the matrix", f"{len(OURS)} of ours and {len(OF_THE_ADMIN)} of the admin, for 5 kinds of people")


def test_each_route_of_the_admin_belongs_to_a_room() -> None:
    placed = {name for name in OF_THE_ADMIN if name in GENERAL_ADMIN or _room(name) in ADMIN}
    assert set(OF_THE_ADMIN) - placed == set()


def test_each_command_has_a_row() -> None:
    ours = sorted(name for name, app in get_commands().items() if app.startswith("shopkb."))
    assert [name for name in ours if name not in COMMANDS] == []
    note("commands in the matrix", len(ours))


def test_pages_open_for_those_who_may(client: Client, letter: str, scene: Scene) -> None:
    wrong = []
    for name, row, whose in rows():
        with CaptureQueriesContext(connection) as asked:
            response = client.get(address(name, row, scene, whose))
        readers = row.get_theirs or row.get if whose != OWN else row.get
        expected = row.answers if letter in readers else {403} if row.get else {405}
        if response.status_code not in expected:
            wrong.append(f"{name} on {whose}: {response.status_code}, expected {sorted(expected)}")
        wrong += [f"{name} on {whose} writes by GET: {sql}" for sql in state.writes(asked.captured_queries)]
    assert wrong == []


def test_sending_changes_what_the_table_says(client: Client, letter: str, scene: Scene) -> None:
    wrong = []
    for name, row, whose in rows():
        at = address(name, row, scene, whose)
        sent = row.sent(scene.arguments(row.on, whose))
        response, changed = trial(client, "POST", at, sent)
        may = letter in (row.post_theirs or row.post if whose != OWN else row.post)
        expected = row.answers | {200, 302, 422} if may else {403} if row.post else {405}
        if response.status_code not in expected:
            wrong.append(f"{name} on {whose}: {response.status_code}, expected {sorted(expected)}")
        if bool(changed) is not (may and whose in row.does):
            wrong.append(f"{name} on {whose} changed {sorted(changed)}")
    assert wrong == []


def test_a_visitor_is_sent_to_the_sign_in(scene: Scene) -> None:
    client, wrong = Client(), []
    for name, row, whose in rows():
        at = address(name, row, scene, whose)
        for method in ("GET", "POST"):
            response, changed = trial(client, method, at)
            if "v" in (row.get if method == "GET" else row.post or row.get):
                continue
            if method == "GET" and response.status_code == 405:
                continue
            if response.status_code != row.visitor or not getattr(response, "url", "/sign-in/").startswith("/sign-in/"):
                wrong.append(f"{method} {name} on {whose}: {response.status_code}")
            if changed:
                wrong.append(f"{method} {name} on {whose} changed {sorted(changed)}")
    assert wrong == []


NEEDS_NOBODY = {"switch", "logout"}
"""What a locked tablet is served beside what any visitor is: who is next, and the way out."""


def test_a_locked_tablet_gives_nothing_and_takes_nothing(client: Client, letter: str, scene: Scene) -> None:
    """Signed in and shared, and nobody has touched it for too long: own things, others' and what is over."""
    session = client.session
    session[SHARED_UNTIL], session[TOUCHED_BY] = (timezone.now() + timedelta(hours=1)).isoformat(), "nobody"
    session.save()
    wrong = []
    for name, row, whose in rows():
        at = address(name, row, scene, whose)
        if name in NEEDS_NOBODY or "v" in row.get:
            continue
        for method, sent in (("GET", None), ("POST", row.sent(scene.arguments(row.on, whose)))):
            response, changed = trial(client, method, at, sent)
            sent_there = response.status_code == 302 and response["Location"].startswith("/switch/")
            asked = "Locked · " in response.content.decode()
            if changed or not (sent_there or asked):
                wrong.append(f"{method} {name} on {whose}: {response.status_code}, changed {sorted(changed)}")
    assert wrong == []


def test_no_post_without_its_token(actor: User, letter: str, scene: Scene) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(actor, backend=BACKEND)
    wrong = []
    for name, row, whose in rows():
        sent = row.sent(scene.arguments(row.on, whose))
        response, changed = trial(client, "POST", address(name, row, scene, whose), sent)
        if response.status_code != 403 or changed:
            wrong.append(f"{name} on {whose}: {response.status_code}, changed {sorted(changed)}")
    for name, at in _admin_addresses(actor):
        response, changed = trial(client, "POST", at, {"post": "yes"})
        if response.status_code != 403 or changed:
            wrong.append(f"{name}: {response.status_code}, changed {sorted(changed)}")
    assert wrong == []


def test_the_admin_opens_by_room(client: Client, actor: User, letter: str, scene: Scene) -> None:
    wrong = []
    for name, at in _admin_addresses(actor):
        inside = letter in "wk"
        may = letter in ADMIN[_room(name)]
        expected = {200, 302} if may else {403} if inside else {302}
        with CaptureQueriesContext(connection) as asked:
            response = client.get(at)
        if response.status_code not in expected or (not inside and not response.url.startswith("/admin/login/")):
            wrong.append(f"GET {name}: {response.status_code}, expected {sorted(expected)}")
        wrong += [f"{name} writes by GET: {sql}" for sql in state.writes(asked.captured_queries)]
        response, changed = trial(client, "POST", at, {})
        if response.status_code not in expected | ({405} if inside else set()) or changed:
            wrong.append(f"POST {name}: {response.status_code}, changed {sorted(changed)}")
    assert wrong == []


def test_what_no_role_may_name_is_not_found(client: Client, scene: Scene) -> None:
    """A number or key that names nothing is 404 for everyone, whatever the method."""
    wrong = []
    for name, row, whose in rows():
        if not row.on or whose != OWN:
            continue
        unknown = ["no-such-thing", 999_999][: len(scene.arguments(row.on, "own"))]
        if row.on not in TEXT_KEYS:
            unknown = [999_999, 999_999][: len(unknown)]
        if row.on == "begun":
            unknown = [str(uuid.uuid4())]
        at = reverse(name, args=[*unknown, *row.more])
        sent = row.sent(scene.arguments(row.on, "own"))
        response, changed = trial(client, *(("POST", at, sent) if row.post else ("GET", at)))
        if response.status_code not in {403, 404} or changed:
            wrong.append(f"{name}: {response.status_code}")
    assert wrong == []


def _room(name: str) -> str:
    found = re.match(r"admin:(?:auth_user_password_change$)?([a-z]+)?", name)
    if name == "admin:auth_user_password_change":
        return "accounts"
    if name.startswith("admin/"):
        return name.split("/")[1]
    return found.group(1) or "" if found else ""


def _admin_addresses(actor: User) -> Iterator[tuple[str, str]]:
    """Each address of the admin's rooms, on the first row there is."""
    from django.contrib import admin

    for model in admin.site._registry:
        meta = model._meta
        stem = f"admin:{meta.app_label}_{meta.model_name}"
        yield f"{stem}_changelist", reverse(f"{stem}_changelist")
        yield f"{stem}_add", reverse(f"{stem}_add")
        first = model._default_manager.order_by("pk").first()
        assert first is not None, f"The scene has no {meta.verbose_name}."
        for action in ("change", "delete", "history"):
            yield f"{stem}_{action}", reverse(f"{stem}_{action}", args=[first.pk])
    yield "admin:auth_user_password_change", reverse("admin:auth_user_password_change", args=[actor.pk])
