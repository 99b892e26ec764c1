"""A shop of an earlier version is brought to this one with its data: nothing lost, every law holds afterwards."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.apps import apps as today
from django.core.management import call_command
from django.db import connection, connections, transaction
from django.db.migrations.executor import MigrationExecutor

from shopkb.accounts.models import User
from shopkb.jobs import vehicle_state
from shopkb.jobs.actions import closing, following, handing_over
from shopkb.jobs.models import Event, Job, PutBack
from shopkb.procedures.models import Procedure
from shopkb.upkeep.chains import broken_chains
from shopkb.upkeep.portable_rows import go_on_counting, models_of
from tests import builders
from tests.conftest import NOW
from tests.upkeep.places import fresh, unguarded

pytestmark = pytest.mark.django_db(transaction=True)
STATES = {
    "the first tables": {"accounts": "0001_initial", "catalog": "0001_initial", "procedures": "0001_initial",
                         "evidence": "0001_initial", "jobs": "0002_initial"},
    "before the event log": {"accounts": "0001_initial", "jobs": "0004_append_only"},
    "before late values": {"accounts": "0001_initial", "jobs": "0007_put_back_after"},
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
        for model in models_of(registry):
            names = [field.attname for field in model._meta.concrete_fields]
            now = today.get_model(model._meta.app_label, model._meta.object_name or "")
            rows = now._base_manager.order_by("pk").values(*names)
            model._base_manager.using(alias).bulk_create([model(**row) for row in rows])
        go_on_counting(registry, alias)


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
        assert {"started", "value", "result", "repair", "verified", "closed"} <= kinds
        if state == "before the event log":
            assert {"retracted", "offered", "accepted", "put-back"} <= kinds
            held = list(PutBack.objects.using(alias).values_list("pk", "after"))
            assert held == list(PutBack.objects.values_list("pk", "after"))
        with connections[alias].cursor() as cursor:
            cursor.execute("SELECT count(*) FROM jobs_result")
            assert cursor.fetchone()[0] > 5
