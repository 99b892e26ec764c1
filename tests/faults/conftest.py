from __future__ import annotations

import os
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

import pytest

from tests.builders import horn, yard
from tests.faults.shop import Shop
from tests.proof import note

__all__ = ["horn", "yard"]

SERVER = os.environ.get("DATABASE_URL", "")


@pytest.fixture
def figure() -> Iterator[dict[str, object]]:
    """What a test measured; kept in a file where one is named, for the table of the long form."""
    held: dict[str, object] = {}
    yield held
    for name, value in held.items():
        note(name, value)


@contextmanager
def database(template: str = "") -> Iterator[str]:
    """Address of a new database on the server under test; empty where a file is tested."""
    if not SERVER.startswith("postgres"):
        yield ""
        return
    import psycopg

    name = f"faults_{uuid.uuid4().hex[:12]}"
    copied = f' TEMPLATE "{urlsplit(template).path[1:]}"' if template else ""
    with psycopg.connect(SERVER, autocommit=True) as held:
        held.execute(f'CREATE DATABASE "{name}"{copied}')
    try:
        yield urlunsplit(urlsplit(SERVER)._replace(path=f"/{name}"))
    finally:
        with psycopg.connect(SERVER, autocommit=True) as held:
            held.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


@pytest.fixture(scope="session")
def first_shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """Made once; each test works on a copy."""
    with database() as address:
        yield Shop(tmp_path_factory.mktemp("first"), address)


@pytest.fixture
def shop(first_shop: Shop, tmp_path: Path) -> Iterator[Shop]:
    """On the kind of database that the run is for; a database of its own on a server."""
    with database(first_shop.environment.get("DATABASE_URL", "")) as address:
        folder = tmp_path / "shop"
        shutil.copytree(first_shop.folder, folder)
        made = Shop(folder, address, like=first_shop)
        yield made
        if made.server is not None:
            made.kill()
