"""Whatever is put into a form field or an address: one clear answer, never a fault of the program, nothing half stored.

Each field of each form is sent probes (SQL, templates, paths, addresses elsewhere, null characters, deep JSON, numbers
that are none, very long text) and generated text; so are the words behind the question mark and the parts of the path.
"""

from __future__ import annotations

import itertools
import os
import re
from collections import Counter
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest
from django.test import Client
from django.urls import resolve, reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shopkb.accounts.models import User
from shopkb.procedures.models import Procedure
from tests.conftest import person
from tests.proof import note
from tests.rights.forms import Form, forms_on
from tests.rights.scene import WHOSE, Scene, make_scene
from tests.rights.table import TABLE
from tests.rights.test_matrix import BACKEND, OURS, address, trial

CASES = int(os.environ.get("SHOPKB_CASES", "40"))
ALL_PROBES = os.environ.get("SHOPKB_PROBES") == "all"
"""Every probe in every field of every form: the long form."""
PROBES = (
    "' OR 1=1 --",
    "'; DROP TABLE jobs_job; --",
    '" UNION SELECT password FROM accounts_user --',
    "{{ settings.SECRET_KEY }}",
    "{% load static %}",
    "${7*7}",
    "<script>alert(1)</script>",
    "javascript:alert(1)",
    "//evil.example/",
    "https://evil.example/",
    "../../../etc/passwd",
    "..%2f..%2fetc%2fpasswd",
    "\x00",
    "a\x00b",
    "\ud7ff\ufffe",
    "\u202e\u2066",
    "²",
    "٣",
    "x",
    "-1",
    "0",
    "1e309",
    "NaN",
    "9" * 40,
    "9" * 5000,
    "9999999999999999999",
    "[" * 3000,
    "A" * 70_000,
    "%s%n%x",
    "\r\nSet-Cookie: a=b",
    "🚌" * 50,
    "",
)
QUERY = ("words", "symptom", "code", "state", "page", "procedure", "step", "outcome", "typed", "unit", "comeback_of",
         "result", "next", "under", "from", "to", "sort", "table", "platform", "system")  # fmt: skip
nasty = st.sampled_from(PROBES) | st.text(max_size=40)
sending = sorted(name for name, row in TABLE.items() if row.post and name in OURS and name not in ("logout", "login"))
reading = sorted(name for name, row in TABLE.items() if row.get and name in OURS and name != "favicon.ico")


@pytest.fixture
def tried(request: pytest.FixtureRequest) -> Iterator[Counter[str]]:
    """How many cases the test was given; kept in a file where one is named."""
    held: Counter[str] = Counter()
    yield held
    note(f"cases sent as {request.node.name[5:].replace('_', ' ')}", held.total())


quick = settings(max_examples=CASES, suppress_health_check=[HealthCheck.function_scoped_fixture], database=None)


@pytest.fixture
def actor(db: None) -> User:
    return person("actor", "keeper")


@pytest.fixture
def scene(actor: User, second: User, horn: Procedure) -> Scene:
    return make_scene(actor, person("mate", "writer"), second, horn)


@pytest.fixture
def client(actor: User) -> Client:
    client = Client(raise_request_exception=False)
    client.force_login(actor, backend=BACKEND)
    return client


@quick
@given(data=st.data())
def test_form_fields(client: Client, scene: Scene, tried: Counter[str], data: st.DataObject) -> None:
    tried["cases"] += 1
    name = data.draw(st.sampled_from(sending))
    row, whose = TABLE[name], data.draw(st.sampled_from(WHOSE))
    sent: dict[str, Any] = dict(row.sent(scene.arguments(row.on, whose)))
    fields = [*sent, "client_id", "note", "typed", "unit", "step", "came_from", "settle", "is_superuser", "next"]
    for field in data.draw(st.lists(st.sampled_from(fields), min_size=1, max_size=3)):
        sent[field] = data.draw(nasty)
    response, changed = trial(client, "POST", address(name, row, scene, whose), sent)
    assert response.status_code < 500, sent
    assert response.status_code == 302 or not changed, (response.status_code, changed)
    assert not response.get("Location", "/").startswith(("//", "http", "javascript")), response["Location"]


def every_form(client: Client, scene: Scene) -> list[Form]:
    """Each form of each page (and of what its own links open on it), and what the table of routes sends; each once."""
    found: dict[tuple[str, str, tuple[str, ...]], Form] = {}

    def read(at: str) -> str:
        response = client.get(at)
        html = response.content.decode() if response.status_code == 200 and "html" in response["Content-Type"] else ""
        for form in forms_on(at, html):
            found.setdefault((resolve(form.path).view_name, form.method, tuple(sorted(form.fields))), form)
        return html

    for name in reading:
        at = address(name, TABLE[name], scene, "own")
        for more in sorted(set(re.findall(r'href="(\?[^"]+)"', read(at)))):
            read(at + unescape(more))
    forms = list(found.values())
    for name in sending:
        row = TABLE[name]
        if sent := row.sent(scene.arguments(row.on, "own")):
            forms.append(Form(address(name, row, scene, "own"), "post", sent))
    return forms


ON_THE_DEVICE = {"jobs:begun-page", "jobs:begun-procedure", "jobs:pack"}
"""Pages of a procedure that is begun on a device: their forms go into its outbox, and are refused at their address."""
AS_A_PAGE: dict[str, str] = {}
AS_A_PART = {"HX-Request": "true"}


def probed(forms: list[Form]) -> Iterator[tuple[Form, str, str, dict[str, str]]]:
    """Form, field, probe, headers: each with each in the long form, else one of each form by turns."""
    for turn, form in enumerate(forms):
        fields = list(form.fields)
        if not ALL_PROBES:
            yield form, fields[turn % len(fields)], PROBES[turn % len(PROBES)], (AS_A_PAGE, AS_A_PART)[turn % 2]
            continue
        for headers in (AS_A_PAGE, AS_A_PART) if "/desk/" in form.path else (AS_A_PAGE,):
            yield from ((form, field, probe, headers) for field in fields for probe in PROBES)


def test_every_field_of_every_form(client: Client, scene: Scene, tried: Counter[str]) -> None:
    forms = every_form(client, scene)
    known = {*sending, "login", "logout", *ON_THE_DEVICE}
    assert {resolve(form.path).view_name for form in forms if form.method == "post"} <= known
    for form, field, probe, headers in probed(forms):
        tried["cases"] += 1
        sent, changed = {**form.fields, field: probe}, set[str]()
        if form.method == "get":
            asked = {key: str(value)[:8000] for key, value in sent.items()}
            response = client.get(form.path, asked, headers=headers)
        else:
            response, changed = trial(client, "POST", form.path, sent, **headers)
        what = (form.path, field, probe[:80], headers)
        assert response.status_code < 500, what
        assert response.status_code in (200, 204, 302) or not changed, (*what, changed)
        assert not response.get("Location", "/").startswith(("//", "http", "javascript")), what


def test_a_step_that_no_key_could_name_is_not_put_into_an_address(client: Client, scene: Scene) -> None:
    at = address("procedures:desk-undo", TABLE["procedures:desk-undo"], scene, "own")
    for odd in ("A" * 70_000, "press&outcome=x", "press\r\nSet-Cookie: a=b"):
        for headers in (AS_A_PAGE, AS_A_PART):
            response, _changed = trial(client, "POST", at, {"open": odd}, **headers)
            assert response.status_code in (204, 302)
            assert (response.get("Location") or response["HX-Redirect"]).endswith("/desk/")


@quick
@given(data=st.data())
def test_words_behind_the_question_mark(client: Client, scene: Scene, tried: Counter[str], data: st.DataObject) -> None:
    tried["cases"] += 1
    name = data.draw(st.sampled_from(reading))
    row, whose = TABLE[name], data.draw(st.sampled_from(WHOSE))
    asked = data.draw(st.dictionaries(st.sampled_from(QUERY), nasty, min_size=1, max_size=3))
    response = client.get(address(name, row, scene, whose), {key: text[:8000] for key, text in asked.items()})
    assert response.status_code < 500, asked


@pytest.mark.parametrize("key", ["procedure", "step", "outcome"])
def test_each_probe_behind_the_list_of_jobs(client: Client, horn: Procedure, key: str) -> None:
    """Here a filter becomes a link, which no other page does."""
    answered = {text[:20]: client.get(reverse("jobs:list"), {key: text[:8000]}).status_code for text in PROBES}
    assert {text: code for text, code in answered.items() if code >= 500} == {}


@quick
@given(data=st.data())
def test_parts_of_the_path(client: Client, scene: Scene, tried: Counter[str], data: st.DataObject) -> None:
    tried["cases"] += 1
    name = data.draw(st.sampled_from(sorted({*reading, *sending})))
    parts = address(name, TABLE[name], scene, "own").strip("/").split("/")
    parts[data.draw(st.integers(0, len(parts) - 1))] = data.draw(nasty)[:200]
    response = client.generic("GET", "/" + "/".join(parts) + "/")
    assert response.status_code < 500, parts


BODIES = {
    "deep list": b"[" * 100_000,
    "deep object": b'{"a":' * 50_000,
    "not text": b"\xff\xfe\x00",
    "null": b"null",
    "text": b'"text"',
    "empty": b"{}",
    "no id": b'{"client_id": "x"}',
    "nothing": b"",
}


def test_bodies_that_are_no_form(client: Client, scene: Scene) -> None:
    names = [name for name in sending if TABLE[name].on == "run"]
    wrong = []
    for name, (called, body) in itertools.product(names, BODIES.items()):
        at = address(name, TABLE[name], scene, "own")
        status = client.generic("POST", at, body, content_type="application/json").status_code
        if status >= 500:
            wrong.append(f"{name}, {called}: {status}")
    assert wrong == []


def test_a_body_over_the_limit_is_refused(client: Client, scene: Scene) -> None:
    at = reverse("jobs:new")
    response = client.generic("POST", at, b"a=" + b"x" * 3_000_000, content_type="application/x-www-form-urlencoded")
    assert response.status_code in (400, 413)
    many = "&".join(f"a{number}=1" for number in range(2000)).encode()
    response = client.generic("POST", at, many, content_type="application/x-www-form-urlencoded")
    assert response.status_code in (400, 413)
