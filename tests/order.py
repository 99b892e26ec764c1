"""Which tests run where, and in which order.

A test that asks for no database is the same on every database and runs with SQLite only: Django refuses it every
connection. What starts servers and commands of its own on the database under test asks for ``first_shop``.

Rooms whose tests take longest come first among those that use the database alike, so that at the end no worker process
is left alone with a test of a minute.
"""

from __future__ import annotations

from collections.abc import Generator
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parent
ASK = {"db", "transactional_db", "live_server", "_django_db_helper", "first_shop"}
"""Fixtures that everything which reaches a database stands on."""
LONG = ("faults", "hosting", "upkeep", "simulation", "journeys", "rights")


def asks(item: pytest.Item) -> bool:
    """Whether the test reaches a database."""
    return item.get_closest_marker("django_db") is not None or not ASK.isdisjoint(getattr(item, "fixturenames", ()))


def _room(item: pytest.Item) -> int:
    room = item.path.relative_to(TESTS).parts[0]
    return LONG.index(room) if room in LONG else len(LONG) + (room == "core")


@pytest.hookimpl(wrapper=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> Generator[None, None, None]:
    """Before pytest-django, which keeps this order among tests that use the database alike."""
    for item in items:
        if not asks(item):
            item.add_marker(pytest.mark.one_database)
    items.sort(key=_room)
    yield
