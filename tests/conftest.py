"""The cast of every test: people with known rights, and a shop with its catalog and its procedures."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests import read_once

if TYPE_CHECKING:
    from pytest_django import DjangoDbBlocker

    from shopkb.accounts.models import User
    from shopkb.procedures.models import Procedure

ROOT = Path(__file__).resolve().parent.parent
FLOWS = ROOT / "flows"
STARTER = ROOT / "fixtures" / "starter"
DEMO = ROOT / "fixtures" / "demo"
NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

read_once.install()

# Playwright's loop runs in the thread of the tests that use the database.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")


@pytest.fixture(scope="session", autouse=True)
def _quick_settings() -> Iterator[None]:
    """Hashing that costs nothing: the real one is slow on purpose, and every test makes people. Static files are looked
    for when they are asked for: a server looks once at all of them, but each client of a test is a server of its own.
    """
    from django.test import override_settings

    hasher = "django.contrib.auth.hashers.MD5PasswordHasher"
    with override_settings(PASSWORD_HASHERS=[hasher], WHITENOISE_AUTOREFRESH=True):
        yield


@pytest.fixture(scope="session")
def django_db_setup(
    django_test_environment: None, django_db_blocker: DjangoDbBlocker, django_db_modify_db_settings: None
) -> Iterator[None]:
    """In place of the one of pytest-django, which migrates for every worker process."""
    from tests.migrated import one_database

    with django_db_blocker.unblock():
        made = one_database()
        made.__enter__()
    yield
    with django_db_blocker.unblock():
        made.__exit__(None, None, None)


@pytest.fixture(autouse=True)
def _fresh_memory() -> Iterator[None]:
    """Nothing remembered from another test's rows: numbers are given out again after a roll-back."""
    from django.core.cache import cache

    from shopkb.evidence.cache import clear_all

    yield
    cache.clear()
    clear_all()


def person(name: str, role: str) -> User:
    from shopkb.accounts.models import User

    return User.objects.create_user(name, password=f"{name}-knows-it", role=role, called=name.title())


@pytest.fixture
def senior(db: None) -> User:
    return person("senior", "writer")


@pytest.fixture
def second(db: None) -> User:
    return person("second", "writer")


@pytest.fixture
def junior(db: None) -> User:
    return person("junior", "technician")


@pytest.fixture
def manager(db: None) -> User:
    return person("manager", "manager")


@pytest.fixture
def keeper(db: None) -> User:
    return person("keeper", "keeper")


@pytest.fixture
def catalog(db: None) -> None:
    """The demo catalog: systems, platforms, symptoms, cautions, access states, causes, meters."""
    from shopkb.demo.world import load_catalog
    from tests.kept_rows import put_back

    put_back("catalog", lambda: load_catalog(ROOT), {})


def stocked(name: str, files: Sequence[Path], senior: User, second: User) -> dict[str, Procedure]:
    """These procedure files in force in a shop with the demo catalog, by key. ``name`` is that of the kept rows."""
    from shopkb.demo.kinds import read_kinds
    from shopkb.procedures.exchange import check_files, store
    from shopkb.procedures.models import Procedure
    from tests.kept_rows import put_back

    def make() -> None:
        store(check_files(files, read_kinds(ROOT).fitted), by=senior, at=NOW, publish_by=second)

    put_back(name, make, {"senior": senior.pk, "second": second.pk})
    return {procedure.key: procedure for procedure in Procedure.objects.all()}


@pytest.fixture
def shelf(catalog: None, senior: User, second: User) -> dict[str, Procedure]:
    """The demo catalog, and the shipped procedures in force, by key."""
    from shopkb.procedures.exchange import flow_files

    return stocked("shelf", flow_files([FLOWS]), senior, second)
