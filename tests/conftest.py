"""The cast of every test: people with known rights, and a shop with its catalog and its procedures."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from shopkb.accounts.models import User
    from shopkb.procedures.models import Procedure

ROOT = Path(__file__).resolve().parent.parent
FLOWS = ROOT / "flows"
FIXTURES = ROOT / "fixtures"
NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

# Playwright's loop runs in the thread of the tests that use the database.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")


@pytest.fixture(autouse=True)
def _fresh_memory() -> Iterator[None]:
    """Nothing remembered from another test's rows: numbers are given out again after a roll-back."""
    from django.core.cache import cache

    from shopkb.evidence import insight
    from shopkb.procedures import storing

    yield
    cache.clear()
    storing._remembered.cache_clear()
    insight.forget()


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
    from shopkb.catalog.loading import load_folder

    load_folder(FIXTURES)


@pytest.fixture
def shelf(catalog: None, senior: User, second: User) -> dict[str, Procedure]:
    """The shipped procedures in force, by key."""
    from shopkb.procedures.exchange import check_files, flow_files, store
    from shopkb.procedures.models import Procedure

    store(check_files(flow_files([FLOWS])), by=senior, at=NOW, publish_by=second)
    return {procedure.key: procedure for procedure in Procedure.objects.all()}
