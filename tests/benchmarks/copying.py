"""A world copied from SQLite into a throwaway PostgreSQL, table by table, without the checks of ``move_database``:
what is measured here is how pages read rows, and the copy of 100,000 jobs shall take a minute.

    python -m tests.benchmarks.copying DATABASE_URL     from the SQLite that the environment leads to
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from itertools import islice
from pathlib import Path

import psycopg
from psycopg import sql

ROOT = Path(__file__).resolve().parent.parent.parent
TABLES = "SELECT tablename FROM pg_tables WHERE schemaname = 'public' ORDER BY tablename"
COLUMNS = "SELECT column_name FROM information_schema.columns WHERE table_name = %s ORDER BY ordinal_position"
MOVE_ON = """SELECT setval(pg_get_serial_sequence(%s, 'id'), 1 + (SELECT COALESCE(MAX(id), 0) FROM {}))
             WHERE pg_get_serial_sequence(%s, 'id') IS NOT NULL"""
AT_ONCE = 10_000


def copy(source: Path, address: str) -> int:
    """Copy every row; how many. The tables are made by the migrations; statistics are gathered as a database that has
    run for a day has them."""
    place = {**os.environ, "DATABASE_URL": address}
    subprocess.run([sys.executable, str(ROOT / "manage.py"), "migrate", "-v0"], env=place, cwd=ROOT, check=True)
    with closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True)) as held, psycopg.connect(address) as there:
        there.execute("SET session_replication_role = replica")  # no triggers: a row may come before what it points to
        there.execute("SET TIME ZONE 'UTC'")
        names = [name for (name,) in there.execute(TABLES)]
        there.execute(sql.SQL("TRUNCATE {}").format(sql.SQL(", ").join(map(sql.Identifier, names))))
        copied = sum(_table(held, there, name) for name in names)
        there.commit()
        there.autocommit = True
        there.execute("VACUUM ANALYZE")
    return copied


def _table(held: sqlite3.Connection, there: psycopg.Connection, name: str) -> int:
    columns = [column for (column,) in there.execute(COLUMNS, (name,))]
    names = ", ".join(f'"{column}"' for column in columns)
    rows = held.execute(f'SELECT {names} FROM "{name}"')  # the names are the database's own
    table, copied = sql.Identifier(name), 0
    into = sql.SQL("COPY {} ({}) FROM STDIN").format(table, sql.SQL(", ").join(map(sql.Identifier, columns)))
    with there.cursor().copy(into) as copying:
        for row in _read(rows):
            copying.write_row(row)
            copied += 1
    if "id" in columns:
        there.execute(sql.SQL(MOVE_ON).format(table), (name, name))
    return copied


def _read(rows: sqlite3.Cursor) -> Iterator[tuple[object, ...]]:
    """SQLite's numbers and texts are read by PostgreSQL as what its columns hold: truth, moments, JSON."""
    while some := list(islice(rows, AT_ONCE)):
        yield from some


if __name__ == "__main__":
    folder = Path(os.environ["SHOPKB_DATA_DIR"])
    print(copy(folder / f"{os.environ['SHOPKB_WORLD']}.sqlite3", sys.argv[1]))
