"""A shop of an earlier version is brought to this one with its data: nothing lost, every law holds afterwards."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from django.apps import apps as today
from django.core.management import call_command
from django.db import connection, connections, transaction
from django.db.migrations.executor import MigrationExecutor

from shopkb.accounts.models import User
from shopkb.evidence import learning
from shopkb.evidence.models import EvidenceLock, Tally
from shopkb.jobs import vehicle_state
from shopkb.jobs.actions import closing, following, handing_over
from shopkb.jobs.closed_jobs import closed_cases
from shopkb.jobs.models import Event, Job, PutBack
from shopkb.procedures import publishing
from shopkb.procedures.models import Document, Procedure, Revision
from shopkb.procedures.storing import checksum, flow_in
from shopkb.upkeep.chains import broken_chains
from shopkb.upkeep.portable_rows import go_on_counting, models_of
from tests import builders
from tests.conftest import NOW
from tests.upkeep.places import fresh, unguarded

documents = import_module("shopkb.procedures.migrations.0004_documents")
pytestmark = pytest.mark.django_db(transaction=True)
STATES = {
    "the first tables": {"accounts": "0001_initial", "catalog": "0001_initial", "procedures": "0001_initial",
                         "evidence": "0001_initial", "jobs": "0002_initial"},
    "before the event log": {"accounts": "0001_initial", "jobs": "0004_append_only"},
    "before late values": {"accounts": "0001_initial", "jobs": "0007_put_back_after"},
    "before documents": {"procedures": "0003_pictures", "jobs": "0008_late_values"},
    "before positions": {"evidence": "0003_found_together", "jobs": "0008_late_values"},
}  # fmt: skip
"""States that shops may be in, by the last migration of each room; other rooms are as new as these allow."""


@pytest.fixture(autouse=True)
def _any_database(monkeypatch: pytest.MonkeyPatch) -> None:
    from django.db.backends.base.base import BaseDatabaseWrapper

    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", unguarded())


@pytest.fixture
def shop(horn: Procedure, junior: User, senior: User) -> Iterator[None]:
    """Jobs of every kind, made through the doors of today."""
    closed = builders.cured_job(horn, junior)
    builders.take_in(junior, comeback_of=closed)
    run = builders.start(builders.take_in(junior), horn, junior)
    builders.follow(run, builders.TO_GROUND, junior)
    wrong = builders.follow(run, [("ground", "good", "0.1")], junior, at=NOW.replace(hour=10))[0]
    following.retract(wrong, by=junior, at=NOW.replace(hour=11), client_id=uuid.uuid4())
    words = handing_over.HandOverNote("End of the shift.", uuid.uuid4())
    handing_over.accept(handing_over.hand_over(run, senior, words, by=junior, at=NOW), by=senior, at=NOW)
    vehicle_state.confirm_back(run, ["Bumper off"], by=senior, at=NOW.replace(hour=12))
    reopened = builders.cured_job(horn, junior, builders.TO_RELAY)
    closing.reopen_job(reopened, by=senior)
    yield


def copy_into(registry: Any, alias: str) -> None:
    """Today's rows into the tables of then, as far as those have a place for them."""
    with transaction.atomic(using=alias):
        for model in models_of(registry):
            model._base_manager.using(alias).all().delete()
        known = {model._meta.label: model for model in models_of(today)}
        for model in models_of(registry):
            if (now := known.get(model._meta.label)) is None:
                continue
            names = {field.attname for field in model._meta.concrete_fields}
            names &= {field.attname for field in now._meta.concrete_fields}
            rows = now._base_manager.order_by("pk").values(*names)
            model._base_manager.using(alias).bulk_create([model(**row) for row in rows])
        if "procedures.Step" in {model._meta.label for model in models_of(registry)}:
            rows_of_documents(registry, alias)
        go_on_counting(registry, alias)


def rows_of_documents(registry: Any, alias: str) -> None:
    """What revisions say, as the rows that held it before they had documents."""
    for document in Document.objects.select_related("revision"):
        revision = registry.get_model("procedures", "Revision").objects.using(alias).get(pk=document.revision_id)
        documents.rows_of(registry, revision, json.loads(document.text), alias)


@pytest.mark.parametrize("state", STATES)
def test_data_of_an_earlier_version_comes_along(shop: None, tmp_path: Path, state: str) -> None:
    with fresh(connection.vendor, tmp_path, "earlier") as alias:
        executor = MigrationExecutor(connections[alias])
        rest = [key for key in executor.loader.graph.leaf_nodes() if key[0] in ("contenttypes", "auth")]
        targets = [*STATES[state].items(), *rest]
        executor.migrate(targets)
        copy_into(MigrationExecutor(connections[alias]).loader.project_state(targets).apps, alias)
        call_command("migrate", database=alias, verbosity=0, interactive=False)
        assert list(broken_chains(alias)) == []
        jobs = Job.objects.using(alias)
        assert list(jobs.values_list()) == list(Job.objects.values_list())
        kinds = set(Event.objects.using(alias).values_list("kind", flat=True))
        told = list(Document.objects.using(alias).order_by("revision").values_list("revision", "text"))
        assert told == list(Document.objects.order_by("revision").values_list("revision", "text"))
        marked = EvidenceLock.objects.using(alias).filter(pk=learning.RECOUNT).exists()
        assert marked == Tally.objects.using(alias).exists() == ("evidence" in STATES[state])
        assert {"started", "value", "result", "repair", "verified", "closed"} <= kinds
        if state == "before the event log":
            assert {"retracted", "offered", "accepted", "put-back"} <= kinds
            held = list(PutBack.objects.using(alias).values_list("pk", "after"))
            assert held == list(PutBack.objects.values_list("pk", "after"))
        with connections[alias].cursor() as cursor:
            cursor.execute("SELECT count(*) FROM jobs_result")
            assert cursor.fetchone()[0] > 5


def test_tallies_are_counted_again_once_all_tables_are_as_they_should(shop: None) -> None:
    """What an earlier version kept told nothing apart by position; with the mark gone nothing is counted again."""
    right = learning.kept()
    Tally.objects.update(position="")
    EvidenceLock.objects.create(pk=learning.RECOUNT)
    old = learning.stamps(["horn-silent"])
    call_command("migrate", verbosity=0, interactive=False)
    assert learning.kept() == right == learning.total_of(closed_cases())
    assert not learning.to_be_recounted() and learning.stamps(["horn-silent"]) != old
    Tally.objects.update(position="")
    call_command("migrate", verbosity=0, interactive=False)
    assert learning.kept() != right


def without_what_is_younger(text: str) -> str:
    """A document without what those tables have no place for."""
    tree = json.loads(text)
    tree.pop("circuit", None)
    for cause in tree.get("causes", {}).values():
        cause.pop("fault", None)
    for step in tree.get("steps", {}).values():
        for name in ("state", "leads", "through"):
            step.pop(name, None)
        for outcome in step.get("outcomes", {}).values():
            outcome.pop("finding", None)
        if "reading" in step:
            known = ("quantity", "unit", "between", "loaded")
            step["reading"] = {name: value for name, value in step["reading"].items() if name in known}
    return json.dumps(tree, ensure_ascii=False, separators=(",", ":"))


def test_documents_become_rows_and_documents_again(shelf: dict[str, Procedure], senior: User, tmp_path: Path) -> None:
    """Every shipped procedure, and a draft with what these do not have, through the tables of before and back.

    Findings of outcomes and circuits are younger than those tables, and are lost on the way.
    """
    odd = next(flow for flow in map(flow_in, Revision.objects.with_document()) if flow.values)
    odd = replace(odd, procedure="odd", platforms=(), steps=(replace(odd.steps[0], minutes=0.1 + 0.2), *odd.steps[1:]))
    publishing.start_draft(odd, by=senior, at=NOW)
    with fresh(connection.vendor, tmp_path, "back") as alias:
        call_command("migrate", database=alias, verbosity=0, interactive=False)
        copy_into(today, alias)
        before = list(Document.objects.order_by("revision").values_list("revision", "text"))
        executor = MigrationExecutor(connections[alias])
        executor.migrate([("procedures", "0003_pictures")])
        with connections[alias].cursor() as cursor:
            cursor.execute("SELECT count(*) FROM procedures_outcome")
            assert cursor.fetchone()[0] == sum(
                len(step.outcomes) for row in Revision.objects.with_document() for step in flow_in(row).steps
            )
        call_command("migrate", database=alias, verbosity=0, interactive=False)
        known = [(number, without_what_is_younger(text)) for number, text in before]
        assert list(Document.objects.using(alias).order_by("revision").values_list("revision", "text")) == known
        kept = [number for (number, text), (_number, left) in zip(before, known, strict=True) if text == left]
        younger = sum('"circuit":' in text or '"finding":' in text for _number, text in before)
        assert len(kept) >= len(before) - younger
        for revision in Revision.objects.using(alias).with_document().filter(pk__in=kept):
            assert checksum(flow_in(revision)) == revision.checksum
