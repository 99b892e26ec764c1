"""What can still be read of a damaged SQLite database, row by row, into a new one.

A damaged page makes every query that meets it fail. Rows are asked for in ranges of their numbers; a range that fails
is halved until what is left of it are the rows that are lost. Nothing is written to the damaged file.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from shopkb.upkeep.portable_rows import no_report

AT_ONCE = 2_000
"""Rows asked for at once."""
MOST_FAILURES = 20_000
"""Queries that may fail in a table before the rest of it is given up: its upper pages are gone then."""
LEFT_OUT = frozenset({"django_migrations", "django_session", "sqlite_sequence", "jobs_records_open"})
Row = tuple[object, ...]


class NothingReadable(Exception):
    """Not even the names of the tables can be read; the text says what is left to do."""


@dataclass(frozen=True, slots=True)
class SalvagedTable:
    """Rows of one table that were stored, and the numbers of those that could not be read or stored."""

    table: str
    rows: int
    lost: int
    complete: bool
    """Whether the whole range of numbers was asked for."""


def salvage(damaged: Path, new: Path, report: Callable[[str], None] = no_report) -> list[SalvagedTable]:
    """Copy every row that can be read into ``new``, which has the tables of this version and no rows of its own.

    Raises:
        NothingReadable
    """
    with (
        closing(_opened(damaged)) as source,
        closing(sqlite3.connect(new)) as target,
    ):
        there = _columns(source)
        wanted = _columns(target)
        found = [
            SalvagedTable(table, 0, 0, complete=False) for table in sorted(wanted.keys() - there.keys() - LEFT_OUT)
        ]
        for gone in found:
            report(f"{gone.table}: not to be found")
        for table in sorted((wanted.keys() & there.keys()) - LEFT_OUT):
            columns = [name for name in wanted[table] if name in there[table]]
            salvaged = _copy(source, target, table, columns)
            target.commit()
            found.append(salvaged)
            report(f"{table}: {salvaged.rows:,} rows" + (f", {salvaged.lost:,} lost" if salvaged.lost else ""))
        return found


def must_be_readable(damaged: Path) -> None:
    """Raises:
    NothingReadable: not even the names of its tables can be read.
    """
    with closing(_opened(damaged)) as source:
        if not _columns(source):
            raise NothingReadable("It holds no tables. Restore the last good backup.")


def _opened(damaged: Path) -> sqlite3.Connection:
    """Only to be read; a line of its schema that makes no sense costs that table and no others."""
    source = sqlite3.connect(f"{damaged.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
    source.execute("PRAGMA writable_schema=ON")
    return source


def _columns(connection: sqlite3.Connection) -> dict[str, list[str]]:
    """Names of the columns of each table that can be made sense of."""
    try:
        names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        columns = {name: [row[1] for row in connection.execute(f'PRAGMA table_info("{name}")')] for name in names}
        return {name: listed for name, listed in columns.items() if listed}
    except sqlite3.Error as error:
        raise NothingReadable(f"Nothing of it can be read ({error}). Restore the last good backup.") from error


def _copy(source: sqlite3.Connection, target: sqlite3.Connection, table: str, columns: list[str]) -> SalvagedTable:
    listed = ", ".join(f'"{name}"' for name in columns)
    statement = f'INSERT OR IGNORE INTO "{table}" ({listed}) VALUES ({", ".join("?" * len(columns))})'  # noqa: S608
    target.execute(f'DELETE FROM "{table}"')  # noqa: S608 - what a new database has of its own
    reader = _Reader(source, f'SELECT {listed} FROM "{table}" WHERE rowid BETWEEN ? AND ?')  # noqa: S608
    rows = 0
    for batch in reader.batches(_highest(source, table)):
        before = target.total_changes
        target.executemany(statement, batch)
        stored = target.total_changes - before
        rows += stored
        reader.lost += len(batch) - stored
    return SalvagedTable(table, rows, reader.lost, complete=reader.failures < MOST_FAILURES)


class _Reader:
    """Rows of one table by their numbers, and how many could not be read."""

    def __init__(self, source: sqlite3.Connection, statement: str) -> None:
        self._source, self._statement = source, statement
        self.lost = self.failures = 0

    def batches(self, highest: int) -> Iterator[list[Row]]:
        for first in range(1, highest + 1, AT_ONCE):
            yield from self._read(first, min(first + AT_ONCE - 1, highest))

    def _read(self, first: int, last: int) -> Iterator[list[Row]]:
        if self.failures >= MOST_FAILURES:
            self.lost += last - first + 1
            return
        try:
            found = self._source.execute(self._statement, (first, last)).fetchall()
        except (sqlite3.Error, UnicodeDecodeError):
            self.failures += 1
            if first == last:
                self.lost += 1
                return
            middle = (first + last) // 2
            yield from self._read(first, middle)
            yield from self._read(middle + 1, last)
            return
        if found:
            yield found


def _highest(source: sqlite3.Connection, table: str) -> int:
    """The highest number a row of the table has or ever had, by whatever can still be read."""
    highest = 0
    for statement in (
        f'SELECT max(rowid) FROM "{table}"',  # noqa: S608
        f"SELECT max(seq) FROM sqlite_sequence WHERE name = '{table}'",  # noqa: S608
    ):
        try:
            (value,) = source.execute(statement).fetchone() or (None,)
        except sqlite3.Error:
            continue
        if isinstance(value, int):
            highest = max(highest, value)
    return highest
