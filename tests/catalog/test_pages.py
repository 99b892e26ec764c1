"""Pages of the catalogue: every kind of entry is made, found, changed and taken out, each by its own rule."""

from __future__ import annotations

import os
import subprocess
import sys
from html import unescape
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.catalog import views
from shopkb.catalog.editing import is_duplicate
from shopkb.catalog.entry_kinds import KINDS, EntryKind, kind_of_row
from shopkb.catalog.models import Cause, Caution, Meter, Platform, Proposal, Symptom, System
from shopkb.catalog.verifying import verify
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def signed_in(client: Client, senior: User) -> Client:
    client.force_login(senior)
    return client


def filled(kind: str) -> dict[str, Any]:
    """What a person types for a new entry of this kind, the key left empty."""
    body = System.objects.get(path="body").pk
    return {
        "vehicles": {"name": "Oystercatcher van", "is_kind": "on"},
        "meters": {
            "name": "New clamp", "accuracies-0-quantity": "current", "accuracies-0-top": "40 A",
            "accuracies-0-percent": "1.5", "accuracies-0-counts": "5", "accuracies-0-resolution": "10 mA",
        },
        "symptoms": {"name": "Lamp flickers", "system": body, "words": "Lamp flickers\nLight dances", "codes": "b1234"},
        "other-words": {"words": "flasher\nblinker"},
        "systems": {"name": "Roof hatch", "parent": body},
        "causes": {"component": body, "mode": "bent"},
        "cautions": {"title": "Hot lamp", "signal": "CAUTION", "text": "Let it cool.", "hazards": ["hot-parts"]},
        "set-ups": {"name": "Roof open", "minutes": "4"},
    }[kind]  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_an_entry_is_made_found_changed_and_taken_out(signed_in: Client, catalog: None, kind: str) -> None:
    of = KINDS[kind]
    before = set(of.model._default_manager.values_list("pk", flat=True))
    answer = signed_in.post(reverse("catalog:new", args=[kind]), filled(kind))
    assert answer.status_code == 302, answer.context["form"].errors
    (row,) = of.model._default_manager.exclude(pk__in=before)
    assert kind_of_row(row) == of
    listed = signed_in.get(reverse("catalog:entries", args=[kind]), {"words": _words(of, row)}).content.decode()
    assert reverse("catalog:entry", args=[kind, row.pk]) in listed
    page = signed_in.get(reverse("catalog:entry", args=[kind, row.pk]))
    assert page.status_code == 200
    held = {name: value for name, value in filled(kind).items() if name != "is_kind"}
    if hasattr(row, "key"):
        assert row.key and row.key == row.key.lower()
    changed = {**held, **({"name": "Other name"} if "name" in held else {"mode": "broken"} if "mode" in held else {})}
    assert signed_in.post(reverse("catalog:entry", args=[kind, row.pk]), changed).status_code == 302
    assert "Nothing uses it." in signed_in.get(reverse("catalog:remove", args=[kind, row.pk])).content.decode()
    assert signed_in.post(reverse("catalog:remove", args=[kind, row.pk])).status_code == 302
    assert set(of.model._default_manager.values_list("pk", flat=True)) == before
    assert verify(System).findings == () and verify(Platform).findings == ()


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_entry_sent_twice_at_once_is_made_once(
    signed_in: Client, catalog: None, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A button pressed twice: both forms held when they were looked at."""
    at, given, holds = reverse("catalog:new", args=[kind]), filled(kind), views._is_valid
    first = []

    def other_comes_first(form: views.EntryForm) -> bool:
        if held := holds(form) and not first:
            first.append(True)
            assert signed_in.post(at, given).status_code == 302
        return held or holds(form)

    monkeypatch.setattr(views, "_is_valid", other_comes_first)
    count = KINDS[kind].model._default_manager.count()
    answer = signed_in.post(at, given)
    assert answer.status_code == 422 and answer.context["form"].non_field_errors()
    assert KINDS[kind].model._default_manager.count() == count + 1


def _words(of: EntryKind, row: Any) -> str:
    return str(row.mode) if of.key == "causes" else str(getattr(row, "name", "") or getattr(row, "key", ""))


def test_a_key_stays_whatever_is_sent(signed_in: Client, catalog: None) -> None:
    row = System.objects.get(path="cooling/hoses")
    given = {"name": "Hoses and pipes", "parent": row.parent_id, "key": "pipes"}
    signed_in.post(reverse("catalog:entry", args=["systems", row.pk]), given)
    row.refresh_from_db()
    assert (row.name, row.key, row.path) == ("Hoses and pipes", "hoses", "cooling/hoses")


@pytest.mark.parametrize("kind", sorted(set(KINDS) - {"causes"}))
def test_an_entry_of_whose_name_no_key_can_be_made_asks_for_one(signed_in: Client, catalog: None, kind: str) -> None:
    typed = filled(kind) | {
        name: "\u041a\u043b\u044e\u0447" for name in ("name", "title", "words") if name in filled(kind)
    }
    there = KINDS[kind].model._default_manager.count()
    answer = signed_in.post(reverse("catalog:new", args=[kind]), typed)
    assert answer.status_code == 422
    assert "No key can be made of this name" in answer.content.decode()
    assert KINDS[kind].model._default_manager.count() == there
    assert signed_in.post(reverse("catalog:new", args=[kind]), typed | {"key": "made-up"}).status_code == 302


def test_a_system_is_moved_without_damage(signed_in: Client, catalog: None) -> None:
    row = System.objects.get(path="cooling/hoses")
    given = {"name": row.name, "parent": System.objects.get(path="engine").pk, "hazards": row.hazards}
    assert signed_in.post(reverse("catalog:entry", args=["systems", row.pk]), given).status_code == 302
    row.refresh_from_db()
    assert row.path == "engine/hoses" and verify(System).findings == ()
    below_itself = {**given, "parent": row.pk}
    answer = signed_in.post(reverse("catalog:entry", args=["systems", row.pk]), below_itself)
    assert answer.status_code == 422


def test_what_procedures_rest_on_waits_for_a_second_person(signed_in: Client, shelf: dict[str, Procedure]) -> None:
    row = Caution.objects.get(key="fan-starts-itself")
    given = {"signal": row.signal, "title": row.title, "text": "Other words.", "hazards": row.hazards, "ask": row.ask}
    at = reverse("catalog:entry", args=["cautions", row.pk])
    answer = signed_in.post(at, given)
    assert answer.status_code == 422 and "Say why it changes" in answer.content.decode()
    answer = signed_in.post(at, {**given, "why": "Clearer."})
    proposal = Proposal.objects.get()
    assert answer.url == reverse("procedures:proposal", args=[proposal.pk])  # type: ignore[attr-defined]
    row.refresh_from_db()
    assert row.text != "Other words." and proposal.facts["text"] == "Other words."
    assert "1 change" in " ".join(signed_in.get(reverse("catalog:index")).content.decode().split())


def test_what_is_used_stays_and_says_by_what(signed_in: Client, shelf: dict[str, Procedure]) -> None:
    row = System.objects.get(path="cooling/hoses")
    at = reverse("catalog:remove", args=["systems", row.pk])
    assert "It stays: it is used by" in signed_in.get(at).content.decode()
    answer = signed_in.post(at)
    assert answer.status_code == 422 and System.objects.filter(pk=row.pk).exists()


def test_a_cause_that_procedures_prove_stays_and_stays_what_it_is(
    signed_in: Client, shelf: dict[str, Procedure]
) -> None:
    flow = flow_of(shelf["overheats-fan-silent"].revisions.get())
    rows = {row.identity: row for row in Cause.objects.select_related("component")}
    row = rows[flow.causes[0].identity]
    answer = signed_in.post(reverse("catalog:remove", args=["causes", row.pk]))
    assert answer.status_code == 422 and f"{flow.title} can prove it" in unescape(answer.content.decode())
    at, typed = reverse("catalog:entry", args=["causes", row.pk]), {"component": row.component_id, "mode": "worn"}
    answer = signed_in.post(at, typed)
    assert answer.status_code == 422 and "Make a new cause instead" in answer.content.decode()
    assert Cause.objects.get(pk=row.pk).mode == row.mode
    assert signed_in.post(at, typed | {"mode": row.mode.upper()}).status_code == 302


def test_ranges_of_a_meter_are_typed_in_boxes_and_one_row_is_taken_away(signed_in: Client, catalog: None) -> None:
    row = Meter.objects.order_by("pk").first()
    assert row is not None and len(row.accuracies) > 1
    at = reverse("catalog:entry", args=["meters", row.pk])
    page = signed_in.get(at).content.decode()
    for number, part in enumerate(row.accuracies):
        assert f'name="accuracies-{number}-top" id="id_accuracies-{number}-top" value="{part["top"]}"' in page
    rows = {
        f"accuracies-{at}-{name}": str(value)
        for at, part in enumerate(row.accuracies[1:], 1)
        for name, value in part.items()
    }
    kept = row.accuracies[1:]
    assert signed_in.post(at, {"name": row.name, **rows, "why": "Sold."}).status_code == 302
    row.refresh_from_db()
    waiting = Proposal.objects.filter(kind="meter").first()
    assert (waiting.facts["accuracies"] if waiting else row.accuracies) == kept
    missing = {**rows, "accuracies-1-top": ""}
    answer = signed_in.post(at, {"name": row.name, **missing, "why": "Sold."})
    assert answer.status_code == 422


def test_a_meter_of_many_ranges_keeps_them_all(signed_in: Client, catalog: None) -> None:
    row = Meter.objects.create(
        key="bench",
        name="Bench",
        accuracies=[
            {"quantity": "voltage", "top": f"{top} V", "percent": 0.1, "counts": 2, "resolution": "10 mV"}
            for top in range(1, 61)
        ],
    )
    typed = {
        f"accuracies-{at}-{name}": str(value) for at, part in enumerate(row.accuracies) for name, value in part.items()
    }
    assert (
        signed_in.post(reverse("catalog:entry", args=["meters", row.pk]), {"name": "Bench 2", **typed}).status_code
        == 302
    )
    row.refresh_from_db()
    assert (row.name, len(row.accuracies)) == ("Bench 2", 60)


def test_without_the_setting_the_pages_of_the_framework_are_not_there() -> None:
    asks = (
        "import django; django.setup()\n"
        "from django.urls import Resolver404, resolve\n"
        "resolve('/catalog/')\n"
        "try: resolve('/admin/')\n"
        "except Resolver404: print('none')\n"
    )
    place = {key: value for key, value in os.environ.items() if key != "SHOPKB_ADMIN"}
    done = subprocess.run(
        [sys.executable, "-c", asks], env={**place, "DJANGO_SETTINGS_MODULE": "shopkb.settings"},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.strip() == "none"


@pytest.mark.parametrize(
    ("twice", "of"), [({"key": "horn", "name": "Horn"}, True), ({"key": None, "name": "Horn"}, False)]
)
def test_only_a_second_one_is_told_as_that(twice: dict[str, object], of: bool) -> None:
    """Each database in its own words, of what it refused itself."""
    Symptom.objects.create(key="horn", name="Horn")
    with pytest.raises(IntegrityError) as refused, transaction.atomic():
        Symptom.objects.create(**twice)
    assert is_duplicate(refused.value) is of
