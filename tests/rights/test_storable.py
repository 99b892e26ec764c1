"""What a row may hold: the same on both databases, refused in words at every door."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator
from decimal import Decimal

import pytest
from django.apps import apps
from django.db import models
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.catalog.models import Caution
from shopkb.jobs.actions import following
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import Job, Result, Run
from shopkb.procedures.models import Procedure
from shopkb.web.storable import Unstorable, require_storable, why_unstorable
from tests import builders
from tests.conftest import NOW

HALF = "\ud83d"
"""The first half of the pair that stands for a character outside the basic plane (Unicode 15, 3.8)."""
RANGES = {
    "PositiveSmallIntegerField": (0, 32767),
    "SmallIntegerField": (-32768, 32767),
    "PositiveIntegerField": (0, 2147483647),
    "IntegerField": (-2147483648, 2147483647),
    "BigIntegerField": (-9223372036854775808, 9223372036854775807),
    "PositiveBigIntegerField": (0, 9223372036854775807),
}
"""PostgreSQL 15, table 8.2 (numeric types); the positive ones by their check."""


def columns() -> Iterator[models.Field[object, object]]:
    for model in apps.get_models():
        if model.__module__.startswith("shopkb."):
            yield from (field for field in model._meta.concrete_fields if not field.is_relation)


def odd_values(field: models.Field[object, object]) -> Iterator[object]:
    kind = field.get_internal_type()
    if kind in ("CharField", "TextField", "SlugField"):
        yield from ("a\x00b", f"a{HALF}b")
        if field.max_length is not None:
            yield "a" * (field.max_length + 1)
    elif kind == "JSONField":
        yield from ([f"a{HALF}"], {"a": ["\x00"]}, {HALF: 1})
    elif kind in RANGES:
        yield from (RANGES[kind][0] - 1, RANGES[kind][1] + 1)
    elif isinstance(field, models.DecimalField):
        yield from (Decimal(10) ** (field.max_digits - field.decimal_places), Decimal("NaN"), Decimal("Infinity"))


ODD = [(field, value) for field in columns() for value in odd_values(field)]


@pytest.mark.parametrize(("field", "value"), ODD, ids=[f"{field.model.__name__}.{field.name}" for field, _odd in ODD])
def test_no_column_takes_what_one_of_the_databases_could_not(
    field: models.Field[object, object], value: object
) -> None:
    row = field.model(**{field.attname: value})
    assert why_unstorable(row).startswith(str(field.verbose_name)[:1].upper())
    with pytest.raises((Unstorable, NotPossible)):
        require_storable(field.model, row)


def test_what_fits_exactly_is_taken() -> None:
    caution = Caution(key="k" * 60, text="ü" * 1000, hazards=["\U0001f68c"])
    assert why_unstorable(caution) == ""
    assert why_unstorable(Job(client_id="3f7d5c52-0a39-4f8e-9d0e-0d6c6f6f0001")) == "", "a number in hexadecimal"
    assert why_unstorable(Job(odometer=2147483647, codes=["P0480"])) == ""
    assert why_unstorable(Result(reading=Decimal("-999999999999.999999"))) == ""


def sent(client: Client, run: Run, **more: str) -> tuple[int, str]:
    item = {"kind": "answer", "client_id": str(uuid.uuid4()), "step": "press", "outcome": "click", **more}
    response = client.post(f"/jobs/runs/{run.pk}/outbox/", json.dumps(item), content_type="application/json")
    return response.status_code, response.json().get("error", "")


@pytest.fixture
def client(junior: User) -> Client:
    client = Client(raise_request_exception=False)
    client.force_login(junior)
    return client


@pytest.fixture
def run(junior: User, horn: Procedure) -> Run:
    return builders.start(builders.take_in(junior), horn, junior)


@pytest.mark.parametrize("field", ["note", "meter", "step", "outcome", "typed", "caution", "kind", "at", "replaces"])
@pytest.mark.parametrize("odd", [HALF, "\x00"])
def test_an_item_of_an_outbox_with_what_is_no_text(client: Client, run: Run, field: str, odd: str) -> None:
    status, why = sent(client, run, **{field: f"wet {odd}"})
    assert status == 422
    assert "which is no text" in why
    assert run.results.count() == 0


def test_an_answer_that_is_too_long_is_refused_whole_and_never_cut(client: Client, run: Run) -> None:
    assert sent(client, run, note="n" * 2001) == (
        422, "Note: 2,001 characters are more than the 2,000 that can be kept. Shorten it.",
    )  # fmt: skip
    at = reverse("jobs:answer", args=[run.pk, "press"])
    response = client.post(at, {"client_id": str(uuid.uuid4()), "outcome": "click", "note": "n" * 2001})
    assert response.status_code == 422
    assert "n" * 2001 in response.content.decode(), "what was typed is still there"
    assert run.results.count() == 0


def test_line_ends_count_as_one_as_in_the_field_of_the_page(client: Client, run: Run) -> None:
    """HTML's maxlength counts a line end as one character; a form sends two."""
    at = reverse("jobs:answer", args=[run.pk, "press"])
    note = "\r\n".join("n" * 1000)[:2998]
    client.post(at, {"client_id": str(uuid.uuid4()), "outcome": "click", "note": note})
    assert run.results.get().note == note.replace("\r\n", "\n").strip()


@pytest.mark.parametrize("typed", ["9e30 V", "1" * 61, "9" * 59, "1e999 V", "-9e20"])
def test_a_value_that_no_row_can_hold(client: Client, junior: User, horn: Procedure, typed: str) -> None:
    run = following.start_run(builders.take_in(junior), horn, by=junior, at=NOW, client_id=uuid.uuid4())
    item = {"kind": "value", "client_id": str(uuid.uuid4()), "key": "battery", "typed": typed}
    response = client.post(f"/jobs/runs/{run.pk}/outbox/", json.dumps(item), content_type="application/json")
    assert response.status_code == 422, response.content
    sent = {"client_id": str(uuid.uuid4()), "typed": typed, "step": "press"}
    by_form = client.post(reverse("jobs:value", args=[run.pk, "battery"]), sent)
    assert by_form.status_code == 422
    assert run.values.count() == 0


def test_a_page_without_a_form_of_its_own_for_it_answers_in_words(
    junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last resort behind every door: 422, not a fault."""

    def too_long(*_asked: object, **_more: object) -> None:
        raise Unstorable("Why: too long.")

    monkeypatch.setattr("shopkb.procedures.views.browse.render_page_or_part", too_long)
    client = Client(raise_request_exception=False)
    client.force_login(junior)
    answer = client.get(reverse("procedures:list"))
    assert answer.status_code == 422
    assert "Why: too long." in answer.content.decode()


def test_saving_is_where_it_is_refused(run: Run, junior: User) -> None:
    with pytest.raises(NotPossible, match="half a character"):
        Result.objects.create(run=run, step="press", outcome=HALF, who=junior, at=NOW, client_id=uuid.uuid4())
    with pytest.raises(Unstorable, match="characters are more than"):
        Caution.objects.create(key="long", title="t" * 5000, signal="note", text="x")
