"""Whatever is put into a form field or an address: one clear answer, never a fault of the program, nothing half stored.

Each field of each form is sent probes (SQL, templates, paths, addresses elsewhere, null characters, deep JSON, numbers
that are none, very long text) and generated text; so are the words behind the question mark and the parts of the path.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shopkb.accounts.models import User
from shopkb.procedures.models import Procedure
from tests.conftest import person
from tests.proof import note
from tests.rights.scene import WHOSE, Scene, make_scene
from tests.rights.table import TABLE
from tests.rights.test_matrix import BACKEND, OURS, address, trial

CASES = int(os.environ.get("SHOPKB_CASES", "60"))
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


quick = settings(
    max_examples=CASES, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], database=None
)


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


@quick
@given(data=st.data())
def test_words_behind_the_question_mark(client: Client, scene: Scene, tried: Counter[str], data: st.DataObject) -> None:
    tried["cases"] += 1
    name = data.draw(st.sampled_from(reading))
    row, whose = TABLE[name], data.draw(st.sampled_from(WHOSE))
    asked = data.draw(st.dictionaries(st.sampled_from(QUERY), nasty, min_size=1, max_size=3))
    response = client.get(address(name, row, scene, whose), {key: text[:2000] for key, text in asked.items()})
    assert response.status_code < 500, asked


@pytest.mark.parametrize("key", ["procedure", "step", "outcome"])
def test_each_probe_behind_the_list_of_jobs(client: Client, horn: Procedure, key: str) -> None:
    """Here a filter becomes a link, which no other page does."""
    answered = {text[:20]: client.get(reverse("jobs:list"), {key: text[:2000]}).status_code for text in PROBES}
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


@pytest.mark.parametrize(
    "body",
    [b"[" * 100_000, b'{"a":' * 50_000, b"\xff\xfe\x00", b"null", b'"text"', b"{}", b'{"client_id": "x"}', b""],
    ids=["deep-list", "deep-object", "not-text", "null", "text", "empty", "no-id", "nothing"],
)
@pytest.mark.parametrize("name", [name for name in sending if TABLE[name].on == "run"])
def test_bodies_that_are_no_form(client: Client, scene: Scene, name: str, body: bytes) -> None:
    at = address(name, TABLE[name], scene, "own")
    response = client.generic("POST", at, body, content_type="application/json")
    assert response.status_code < 500


def test_a_body_over_the_limit_is_refused(client: Client, scene: Scene) -> None:
    at = reverse("jobs:new")
    response = client.generic("POST", at, b"a=" + b"x" * 3_000_000, content_type="application/x-www-form-urlencoded")
    assert response.status_code in (400, 413)
    many = "&".join(f"a{number}=1" for number in range(2000)).encode()
    response = client.generic("POST", at, many, content_type="application/x-www-form-urlencoded")
    assert response.status_code in (400, 413)
