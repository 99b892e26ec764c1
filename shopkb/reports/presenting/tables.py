"""A table as a value: the page, the CSV file and the command all show this one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum

from shopkb.reports.figures.facts_of_period import Latest
from shopkb.reports.figures.shares import Mean, PooledShare, Quartiles, Share


class ColumnKind(StrEnum):
    """What a column holds; values are in this unit. A month is text, ``YYYY-MM``; a job is its number."""

    TEXT = "text"
    JOB = "job"
    COUNT = "count"
    NUMBER = "number"
    MINUTES = "minutes"
    DAYS = "days"
    MONEY = "money"
    SHARE = "share"
    SPREAD = "spread"
    MEAN = "mean"
    DATE = "date"
    MONTH = "month"


Value = str | int | float | Decimal | Share | PooledShare | Quartiles | Mean | date | datetime | None


@dataclass(frozen=True, slots=True)
class Column:
    """``unit`` is said in the heading of the file; ``of`` says what a share is a share of, and a mean one of.
    ``only_in_file``: the page says it otherwise; ``only_on_page``: it leads on and says nothing. ``latest``: it rests
    on the latest jobs of the period, where its neighbours count all."""

    key: str
    heading: str
    kind: ColumnKind = ColumnKind.TEXT
    unit: str = ""
    of: str = "jobs"
    only_in_file: bool = False
    only_on_page: bool = False
    latest: bool = False

    @property
    def is_figure(self) -> bool:
        return self.kind not in (ColumnKind.TEXT, ColumnKind.JOB, ColumnKind.DATE, ColumnKind.MONTH)


@dataclass(frozen=True, slots=True)
class Cell:
    """A value; ``link`` opens the jobs behind it, or the place where it is; ``under`` are small words below it."""

    value: Value
    link: str = ""
    under: str = ""


Row = Mapping[str, Cell]


@dataclass(frozen=True, slots=True)
class Table:
    """``name`` is its file name. ``about`` says in one sentence what it rests on; ``empty`` what to say of no rows.
    ``latest`` are the jobs behind those columns, or behind all of it, that rest on the latest."""

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    about: str = ""
    empty: str = "No closed job says anything about this yet."
    sorted_by: str = ""
    latest: Latest | None = None

    @property
    def shown(self) -> tuple[Column, ...]:
        """The columns of the page."""
        return tuple(column for column in self.columns if not column.only_in_file)

    @property
    def filed(self) -> tuple[Column, ...]:
        """The columns of the file."""
        return tuple(column for column in self.columns if not column.only_on_page)

    def column(self, key: str) -> Column | None:
        return next((column for column in self.columns if column.key == key), None)

    def sorted(self, by: str) -> Table:
        """Sorted by a column: figures from the greatest, words from the first; ``-`` before the key turns it round.

        A share counts by its lower end; what is unknown or rests on too few comes last either way. An unknown column
        changes nothing.
        """
        key, turned = by.removeprefix("-"), by.startswith("-")
        column = self.column(key)
        if column is None:
            return self
        known = [row for row in self.rows if rank(row[key].value) is not None]
        unknown = [row for row in self.rows if rank(row[key].value) is None]
        known.sort(key=lambda row: rank(row[key].value), reverse=column.is_figure != turned)  # type: ignore[arg-type, return-value]
        return replace(self, rows=(*known, *unknown), sorted_by=by)

    def turned(self, key: str) -> str:
        """The sort that the heading of a column links to: by it, or the reverse where it is sorted by it already."""
        return f"-{key}" if self.sorted_by == key else key

    def direction(self, key: str) -> str:
        """``ascending``, ``descending`` or nothing, as ``aria-sort`` has it."""
        column = self.column(key)
        if column is None or self.sorted_by.removeprefix("-") != key:
            return ""
        return "descending" if column.is_figure != self.sorted_by.startswith("-") else "ascending"


def rank(value: Value) -> float | str | None:
    """What a value is sorted by; ``None`` goes last."""
    if isinstance(value, (Share, PooledShare, Quartiles, Mean)):
        return value.lower
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    if isinstance(value, Decimal):
        return float(value)
    return value.casefold() if isinstance(value, str) else value
