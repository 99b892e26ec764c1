"""Tables as files: CSV for a spreadsheet, a spreadsheet itself, and plain data for JSON. Intervals in files are 95 %.

CSV after RFC 4180: a header, CRLF, quotes doubled; UTF-8 with a byte order mark, so that a spreadsheet reads it right.
In a spreadsheet each table is a sheet, numbers are numbers and times are those of the shop's clock.
What rests on the latest jobs of the period says so in its heading, and every row how many those are and since when.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime
from decimal import Decimal
from functools import partial
from typing import Any

from django.conf import settings
from django.utils import timezone

from shopkb.core.diagnosis.counting.branch_success import IN_EXPORTS
from shopkb.reports.figures.shares import Mean, PooledShare, Quartiles, Share
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Table, Value
from shopkb.web.csv_cells import MARK, Plain, is_formula, safe

FORMATS = {ColumnKind.MONEY: "#,##0.00##", ColumnKind.DATE: "yyyy-mm-dd hh:mm:ss"}
"""How a spreadsheet shows a column; what is not named is shown as it is."""
SPREADSHEET = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
"""Media type of what :func:`workbook` makes."""
WIDEST, NARROWEST = 60, 9
"""Widths of a column in a spreadsheet, in characters."""


@dataclass(frozen=True, slots=True)
class _Part:
    """One column of the file: what it adds to the heading, and how it is read from a value."""

    adds: str
    of: Callable[[Value], Plain]


def csv_text(table: Table) -> str:
    """The table as a file, byte order mark included."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, dialect="excel")
    parts, noted, latest = _all_parts(table), _noted(table), _latest(table)
    writer.writerow([safe(words) for words in _headings(table)])
    for row in table.rows:
        figures = [safe(part.of(row[column.key].value)) for column, part in parts]
        notes = (safe(row[c.key].under) for c in noted)
        writer.writerow([*figures, *notes, *latest.values()])
    return MARK + out.getvalue()


def workbook(tables: Sequence[Table]) -> bytes:
    """A spreadsheet (Office Open XML, ISO/IEC 29500) of these tables, a sheet for each, named as the table."""
    from openpyxl import Workbook  # half a second that no other page needs

    book = Workbook(write_only=True)
    for table in tables:
        _write_sheet(book.create_sheet(table.name), table)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _write_sheet(sheet: Any, table: Table) -> None:
    from openpyxl.styles import Font

    parts, noted, latest = _all_parts(table), _noted(table), _latest(table)
    headings = _headings(table)
    sheet.freeze_panes = "A2"
    rows = [
        [
            *((_in_sheet(column, part, row[column.key].value), FORMATS.get(column.kind)) for column, part in parts),
            *((row[column.key].under, None) for column in noted),
            *((value, None) for value in latest.values()),
        ]
        for row in table.rows
    ]
    for place, words in enumerate(headings):
        longest = max((len(str(row[place][0] or "")) for row in rows), default=0)
        letter = sheet_column(place)
        sheet.column_dimensions[letter].width = min(WIDEST, max(NARROWEST, len(words), longest) + 2)
    sheet.append([_sheet_cell(sheet, words, None, Font(bold=True)) for words in headings])
    for row in rows:
        sheet.append([_sheet_cell(sheet, value, shown) for value, shown in row])


def _sheet_cell(sheet: Any, value: Plain | date, shown: str | None, font: Any = None) -> Any:
    """Text is always text, whatever it begins with; where it looks like a formula, it stays text when it is edited."""
    from openpyxl.cell import WriteOnlyCell

    if isinstance(value, str):
        cell = WriteOnlyCell(sheet, value=_sheet_text(value))
        cell.data_type = "s"
        if is_formula(value):
            cell.quotePrefix = True
    else:
        cell = WriteOnlyCell(sheet, value=value)
        if shown:
            cell.number_format = shown
    if font is not None:
        cell.font = font
    return cell


def _sheet_text(text: str) -> str:
    """XML 1.0 has no control characters and one end of line."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    return str(ILLEGAL_CHARACTERS_RE.sub("\ufffd", text.replace("\r\n", "\n").replace("\r", "\n")))


def sheet_column(place: int) -> str:
    """Letters of a column, from 0 on: ``A``, ``Z``, ``AA``."""
    from openpyxl.utils import get_column_letter

    return str(get_column_letter(place + 1))


def _in_sheet(column: Column, part: _Part, value: Value) -> Plain | date:
    if column.kind is ColumnKind.DATE and isinstance(value, datetime):
        return timezone.make_naive(value) if timezone.is_aware(value) else value
    if column.kind is ColumnKind.DATE and isinstance(value, date):
        return value
    return part.of(value)


def _all_parts(table: Table) -> list[tuple[Column, _Part]]:
    return [(column, part) for column in table.filed for part in _parts(column)]


def _noted(table: Table) -> list[Column]:
    """Columns of which any cell has small words below it."""
    return [column for column in table.filed if any(row[column.key].under for row in table.rows)]


def _headings(table: Table) -> list[str]:
    heading = [f"{_heading(column)}{part.adds}" for column, part in _all_parts(table)]
    return [*heading, *(f"{column.heading}, note" for column in _noted(table)), *_latest(table)]


def _latest(table: Table) -> dict[str, Plain]:
    """Heading to value, the same in every row; nothing where every figure counts all jobs of the period."""
    if table.latest is None:
        return {}
    return {
        "Latest jobs counted (jobs)": table.latest.jobs,
        "Latest jobs, of those of the period (jobs)": table.latest.in_period,
        "Latest jobs, closed since (date, ISO 8601)": table.latest.since,
    }


def as_json(table: Table) -> dict[str, object]:
    """The table as plain data; the keys of a row are its columns, with what a share or spread is made of below them."""
    return {
        "name": table.name,
        "title": table.title,
        "about": table.about,
        "interval": IN_EXPORTS,
        "columns": [
            {"key": c.key, "heading": c.heading, "kind": c.kind.value, "unit": _unit(c), "latest": c.latest}
            for c in table.filed
        ],
        "latest": asdict(table.latest) if table.latest else None,
        "rows": [{c.key: _plain(c, row[c.key]) for c in table.filed} for row in table.rows],
    }


def _plain(column: Column, cell: Cell) -> Plain | dict[str, Plain]:
    parts = _parts(column)
    if len(parts) == 1:
        only = parts[0].of(cell.value)
        return str(only) if isinstance(only, Decimal) else only
    return {part.adds.removeprefix(", ").partition(" (")[0]: part.of(cell.value) for part in parts}


def _heading(column: Column) -> str:
    unit, heading = _unit(column), f"{column.heading}, latest jobs" if column.latest else column.heading
    said_in_cells = column.kind in (ColumnKind.SHARE, ColumnKind.SPREAD, ColumnKind.MEAN)
    return f"{heading} ({unit})" if unit and not said_in_cells else heading


def _unit(column: Column) -> str:
    if column.kind is ColumnKind.MONEY:
        return str(settings.CURRENCY)
    if column.unit:
        return column.unit
    return {ColumnKind.DATE: "date, ISO 8601", ColumnKind.MONTH: "month, ISO 8601"}.get(column.kind, "")


def _parts(column: Column) -> tuple[_Part, ...]:
    unit = column.unit or "min"
    if column.kind is ColumnKind.SHARE:
        return (
            _Part(", share (0 to 1)", lambda value: _round(_plain_share(value))),
            _Part(", low (95 %)", lambda value: _end(value, 0)),
            _Part(", high (95 %)", lambda value: _end(value, 1)),
            _Part(", counted", _counted),
            _Part(f", of {column.of}", lambda value: value.whole if isinstance(value, (Share, PooledShare)) else None),
        )
    if column.kind is ColumnKind.SPREAD:
        ends = (("median", "median"), ("lower quartile", "low"), ("upper quartile", "high"))
        return (
            *(_Part(f", {words} ({unit})", partial(_attribute, name)) for words, name in ends),
            _Part(", known times", lambda value: value.n if isinstance(value, Quartiles) else None),
        )
    if column.kind is ColumnKind.MEAN:
        return (
            _Part(f", mean ({unit})", lambda value: _round(value.value) if isinstance(value, Mean) else None),
            _Part(", low (95 %)", lambda value: _end(value, 0)),
            _Part(", high (95 %)", lambda value: _end(value, 1)),
            _Part(", known times", lambda value: value.n if isinstance(value, Mean) else None),
        )
    return (_Part("", _single),)


def _single(value: Value) -> Plain:
    if isinstance(value, (datetime, date)):
        return value.isoformat()
    if isinstance(value, float):
        return _round(value)
    return value if isinstance(value, (str, int, Decimal)) else None


def _attribute(name: str, value: Value) -> float | None:
    return _round(getattr(value, name)) if isinstance(value, Quartiles) else None


def _counted(value: Value) -> int | None:
    """What a share counts, or a number that stands among shares."""
    if isinstance(value, (Share, PooledShare)):
        return value.part
    return value if isinstance(value, int) else None


def _plain_share(value: Value) -> float | None:
    return value.plain if isinstance(value, (Share, PooledShare)) else None


def _end(value: Value, place: int) -> float | None:
    ends = value.interval(IN_EXPORTS) if isinstance(value, (Share, PooledShare, Mean)) else None
    return None if ends is None else _round(ends[place])


def _round(value: float | None) -> float | None:
    """Six significant figures: more is noise."""
    return None if value is None else float(f"{value:.6g}")
