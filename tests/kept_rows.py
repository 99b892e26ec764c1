"""Rows made once by the product's own doors, and put back as they are for every later test that needs the same start.

Loading the catalog and storing the shelf takes seconds; putting their rows back takes a twentieth of that. The worker
processes of one run share them: whoever comes first makes them, the others wait.
"""

from __future__ import annotations

import fcntl
import os
import pickle
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.apps import apps
from django.core.management.color import no_style
from django.db import connection, models

from shopkb.accounts.models import User
from shopkb.jobs.log import append_only

PLACE = Path(os.environ["SHOPKB_DATA_DIR"])
RUN = os.environ.get("PYTEST_XDIST_TESTRUNUID", "")
"""Of one run; a process on its own shares with nobody."""
ROOMS = ("catalog", "procedures", "evidence")


@dataclass(frozen=True, slots=True)
class Kept:
    """Rows by table, and where a column names a person."""

    rows: Mapping[str, tuple[tuple[str, ...], list[tuple[Any, ...]]]]
    people: Mapping[str, int]


_kept: dict[str, Kept] = {}


def put_back(name: str, make: Callable[[], None], people: Mapping[str, int]) -> None:
    """Rows called ``name``: made by ``make`` the first time, afterwards put back in place of what these rooms hold.

    ``people`` are the primary keys of those whom the rows name.
    """
    if name not in _kept:
        with _shared(name) as file:
            if not file.exists() or not RUN:
                make()
                _kept[name] = Kept({model._meta.db_table: _rows(model) for model in _models()}, dict(people))
                file.write_bytes(pickle.dumps(_kept[name]))
                return
            _kept[name] = pickle.loads(file.read_bytes())
    kept = _kept[name]
    now = {kept.people[who]: people[who] for who in people}
    with append_only.opened(), connection.cursor() as cursor:
        for model in _models():
            columns, rows = kept.rows[model._meta.db_table]
            cursor.execute(f"DELETE FROM {connection.ops.quote_name(model._meta.db_table)}")
            if rows:
                cursor.executemany(_insert(model, columns), [_for_people(model, columns, row, now) for row in rows])
        for line in connection.ops.sequence_reset_sql(no_style(), _models()):
            cursor.execute(line)


@contextmanager
def _shared(name: str) -> Iterator[Path]:
    """The file that rows of this name are kept in for this run; nobody else looks at it meanwhile."""
    kept = PLACE / f"{RUN}-{connection.vendor}-{name}"
    with kept.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield kept.with_suffix(".pickle")


def _models() -> list[type[models.Model]]:
    return [model for room in ROOMS for model in apps.get_app_config(room).get_models(include_auto_created=True)]


def _rows(model: type[models.Model]) -> tuple[tuple[str, ...], list[tuple[Any, ...]]]:
    quote = connection.ops.quote_name
    columns = tuple(field.column for field in model._meta.local_concrete_fields)
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(map(quote, columns))} FROM {quote(model._meta.db_table)}")
        return columns, cursor.fetchall()


def _insert(model: type[models.Model], columns: tuple[str, ...]) -> str:
    quote = connection.ops.quote_name
    blanks = ", ".join(["%s"] * len(columns))
    return f"INSERT INTO {quote(model._meta.db_table)} ({', '.join(map(quote, columns))}) VALUES ({blanks})"


def _for_people(
    model: type[models.Model], columns: tuple[str, ...], row: tuple[Any, ...], now: Mapping[int, int]
) -> tuple[Any, ...]:
    theirs = {field.column for field in model._meta.local_concrete_fields if field.related_model is User}
    return tuple(
        now.get(value, value) if column in theirs else value for column, value in zip(columns, row, strict=True)
    )
