"""Tables that people send: CSV in the usual encodings and with the usual separators, and spreadsheets.

A file is read to plain text cells with the number of the line each row begins on, or refused in a sentence that says
where it is wrong. Nothing is read past the bounds below, whatever the file says of itself.

Sources: RFC 4180 (CSV); ISO/IEC 29500 (Office Open XML), read by openpyxl; WHATWG Encoding Standard.
"""

from __future__ import annotations

import csv
import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime, time
from itertools import islice
from xml.etree.ElementTree import ParseError

LARGEST_FILE = 1024 * 1024
LARGEST_UNPACKED = 16 * 1024 * 1024
"""Bytes of all parts of a spreadsheet together: a megabyte can unpack to a gigabyte."""
MOST_PARTS = 400
"""Files inside a spreadsheet."""
MOST_ROWS = 5_000
MOST_COLUMNS = 60
LONGEST_CELL = 500
MOST_TEXT = 1_200_000
"""Bytes of all cells together, as they travel with the page: a form takes 2 MiB."""
LAST_ROW = 1_048_576
"""The last row that a spreadsheet has."""

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
LOOKED_AT = 20
"""Rows by which the separator is told."""
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff\ud800-\udfff]")
_SAID = re.compile(r"sep=(.)\s*", re.IGNORECASE)
"""A first line by which some spreadsheets say their separator."""
_ZIP, _OLD_SPREADSHEET = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
_UNREADABLE = (
    zipfile.BadZipFile, zlib.error, ParseError, EOFError, KeyError, ValueError, TypeError, AttributeError, IndexError,
    NotImplementedError, OSError, OverflowError, RuntimeError,
)  # fmt: skip
"""What openpyxl raises on a file that is damaged or no spreadsheet."""


class BadTable(Exception):
    """The file cannot be read as a table; the sentence says why, and what would be right."""


@dataclass(frozen=True, slots=True)
class SentRow:
    """``line`` is the number of the line in the file, from 1 on, on which the row begins."""

    line: int
    cells: tuple[str, ...]

    @property
    def told(self) -> str:
        """The cells in one line, a dash for each that is empty."""
        return " · ".join(cell or "–" for cell in self.cells)


@dataclass(frozen=True, slots=True)
class SentTable:
    """A row is as long as the headings, or longer where it has cells too many. ``told``: how it was read, in words."""

    headings: SentRow
    rows: tuple[SentRow, ...]
    told: str


def read_table(body: bytes) -> SentTable:
    """The table of a CSV file or of the first sheet of a spreadsheet. Blanks around and inside cells are single; rows
    without any text are left out.

    Raises:
        BadTable: it is no table, or larger than is taken in.
    """
    if not body:
        raise BadTable("The file is empty.")
    if len(body) > LARGEST_FILE:
        raise BadTable(
            f"The file has {len(body) / LARGEST_FILE:.1f} MiB, and at most 1 MiB is taken in. Cut it in two, or leave "
            "out columns that are not needed."
        )
    if body.startswith(_OLD_SPREADSHEET):
        raise BadTable("This is a spreadsheet of the old kind (.xls). Save it as .xlsx or as CSV and send that.")
    rows: Iterable[SentRow]
    if body.startswith(_ZIP):
        rows, told = _spreadsheet_rows(body)
    else:
        text, encoding = _decoded(body)
        rows, separator = _csv_rows(text)
        told = f"CSV, {encoding}, separated by {SEPARATORS[separator]}"
    return _table(rows, told)


def as_text(table: SentTable) -> str:
    """The table as plain lines, for the next form: number, then the cells, with tabs between. Cells hold no tabs."""
    return "\n".join("\t".join((str(row.line), *row.cells)) for row in (table.headings, *table.rows))


def from_text(text: str, told: str) -> SentTable:
    """What :func:`as_text` made, within the same bounds.

    Raises:
        BadTable: it is something else.
    """
    rows = []
    for line in text.splitlines():
        number, *cells = line.split("\t")
        if not (number.isascii() and number.isdecimal() and len(number) < 9):
            raise BadTable("The table was changed on its way. Choose the file again.")
        rows.append(SentRow(int(number), tuple(cells)))
    return _table(rows, told)


def _table(rows: Iterable[SentRow], told: str) -> SentTable:
    found: list[SentRow] = []
    size = 0
    for row in rows:
        cells = tuple(" ".join(cell.split()) for cell in row.cells)
        while cells and not cells[-1]:
            cells = cells[:-1]
        if not cells:
            continue
        if len(cells) > MOST_COLUMNS:
            raise BadTable(f"Line {row.line} has {len(cells):,} columns; at most {MOST_COLUMNS} are taken in.")
        for place, cell in enumerate(cells, start=1):
            if len(cell) > LONGEST_CELL:
                raise BadTable(
                    f"Line {row.line}, column {place}: {len(cell):,} characters in one cell; at most {LONGEST_CELL} "
                    "are taken in. A quotation mark may be missing."
                )
            if odd := _CONTROL.search(cell):
                raise BadTable(f"Line {row.line}, column {place} holds {_named(odd[0])}, which is no text.")
        size += sum(len(cell.encode()) + 1 for cell in cells)
        if len(found) > MOST_ROWS:
            raise BadTable(f"The file has more than {MOST_ROWS:,} lines of data. Cut it in two.")
        if size > MOST_TEXT:
            raise BadTable("The table holds too much text. Leave out columns that are not needed, or cut it in two.")
        found.append(SentRow(row.line, cells))
    return _with_headings(found, told)


def _with_headings(rows: Sequence[SentRow], told: str) -> SentTable:
    if not rows:
        raise BadTable("There is no text in the file.")
    first, *others = rows
    if not others:
        raise BadTable(
            f"Only line {first.line} has any text. The first line names the columns, each further one a row."
        )
    widest = max(len(row.cells) for row in others[:LOOKED_AT])
    filled = sum(1 for cell in first.cells if cell)
    if filled == 1 and len(others) > 1 and sum(1 for cell in others[0].cells if cell) > 1:
        raise BadTable(
            f"Line {first.line} has one heading, “{_short(next(filter(None, first.cells)))}”, and the next line has "
            "several cells. Take lines above the headings out; each column needs a heading of its own."
        )
    width = max(len(first.cells), min(widest, MOST_COLUMNS))
    names = tuple(cell or f"(column {place}, no heading)" for place, cell in enumerate(_padded(first.cells, width), 1))
    body = tuple(SentRow(row.line, _padded(row.cells, width)) for row in others)
    return SentTable(SentRow(first.line, names), body, told)


def _padded(cells: tuple[str, ...], width: int) -> tuple[str, ...]:
    return cells + ("",) * (width - len(cells))


def _short(text: str) -> str:
    return text if len(text) <= 40 else f"{text[:39]}…"


def _named(character: str) -> str:
    return "a null character" if character == "\x00" else f"the control character U+{ord(character):04X}"


# CSV -----------------------------------------------------------------------------------------------------------------


def _decoded(body: bytes) -> tuple[str, str]:
    """The text, and the name of its encoding: by its byte order mark, else UTF-16 by its null bytes, else UTF-8 if it
    is that, else Windows-1252."""
    if body.startswith((b"\xff\xfe\x00\x00", b"\x00\x00\xfe\xff")):
        raise BadTable("This is UTF-32 text. Save it as UTF-8 and send that.")
    for mark, codec, name in (
        (b"\xef\xbb\xbf", "utf-8", "UTF-8"),
        (b"\xff\xfe", "utf-16-le", "UTF-16"),
        (b"\xfe\xff", "utf-16-be", "UTF-16"),
    ):
        if body.startswith(mark):
            return _as(body[len(mark) :], codec, name), name
    if codec := _without_mark(body):
        return _as(body, codec, "UTF-16"), "UTF-16"
    try:
        text, name = body.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        text, name = _as(body, "cp1252", "Windows-1252"), "Windows-1252"
    return _without_controls(text), name


def _without_mark(body: bytes) -> str:
    """The kind of UTF-16 in which most of the text has a null as every other byte; empty for anything else."""
    start = body[:4096]
    pairs = len(start) // 2
    low, high = start[1::2].count(0), start[0::2].count(0)
    if pairs and low > 0.6 * pairs and high <= 0.1 * pairs:
        return "utf-16-le"
    return "utf-16-be" if pairs and high > 0.6 * pairs and low <= 0.1 * pairs else ""


def _as(body: bytes, codec: str, name: str) -> str:
    try:
        return _without_controls(body.decode(codec))
    except UnicodeDecodeError as error:
        line = body[: error.start].decode(codec, "ignore").count("\n") + 1
        raise BadTable(
            f"Line {line} is no {name} text. Save the table as CSV in UTF-8 or as a spreadsheet (.xlsx), and send that."
        ) from error


def _without_controls(text: str) -> str:
    if odd := _CONTROL.search(text):
        line = text.count("\n", 0, odd.start()) + 1
        raise BadTable(
            f"Line {line} holds {_named(odd[0])}: this is no table of text. Save it as CSV or as a spreadsheet (.xlsx)."
        )
    return text


def _csv_rows(text: str) -> tuple[Iterator[SentRow], str]:
    said = _SAID.fullmatch(text.partition("\n")[0])
    if said is not None and said[1] in SEPARATORS:
        rest = text.partition("\n")[2]
        return _parsed(rest, said[1], 1), said[1]
    separator = max(SEPARATORS, key=lambda one: _fits(text, one))
    return _parsed(text, separator, 0), separator


def _fits(text: str, separator: str) -> tuple[int, int]:
    """How well a separator fits the beginning of a text: rows as wide as the first, and how wide that is."""
    filled: list[int] = []
    with suppress(BadTable):  # told when the whole is read
        filled.extend(len(row.cells) for row in islice(_parsed(text, separator, 0), LOOKED_AT) if row.cells)
    if not filled or filled[0] == 1:
        return (0, 1)
    return (sum(width == filled[0] for width in filled), filled[0])


def _parsed(text: str, separator: str, before: int) -> Iterator[SentRow]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    begin = before
    while True:
        begin = before + reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise BadTable(
                f"Line {begin}: the quotation marks do not fit together, so it cannot be told where a cell ends."
            ) from error
        yield SentRow(begin, tuple(cells))


# Spreadsheets --------------------------------------------------------------------------------------------------------


def _spreadsheet_rows(body: bytes) -> tuple[list[SentRow], str]:
    damaged = "This is no spreadsheet (.xlsx) that can be read. Save it anew, or as CSV, and send that."
    try:
        _refuse_by_parts(body)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # looks and other things that no cell holds
            return _first_sheet(body)
    except _UNREADABLE as error:
        raise BadTable(damaged) from error


def _refuse_by_parts(body: bytes) -> None:
    """By what the archive holds, before anything of it is read as a spreadsheet. What unpacks to more than it says is
    damaged: the library reads no further than that."""
    with zipfile.ZipFile(io.BytesIO(body)) as archive:
        parts = archive.infolist()
        if len(parts) > MOST_PARTS or sum(part.file_size for part in parts) > LARGEST_UNPACKED:
            raise BadTable(
                "The spreadsheet unpacks to more than 16 MiB. Take out other sheets, pictures and empty rows that are "
                "coloured, or save the sheet as CSV."
            )
        if any(part.flag_bits & 1 for part in parts):
            raise BadTable("The spreadsheet is locked with a password. Save it without one.")
        if "xl/workbook.xml" not in archive.namelist():
            raise BadTable("This is an archive, and no spreadsheet (.xlsx) is in it.")
        for part in parts:
            if part.filename.endswith((".xml", ".rels")) and re.search(rb"<!(DOCTYPE|ENTITY)", archive.read(part)):
                raise BadTable("The spreadsheet holds definitions that no spreadsheet needs. Save it anew.")


def _first_sheet(body: bytes) -> tuple[list[SentRow], str]:
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(body), read_only=True, data_only=True, keep_links=False)
    try:
        if not book.worksheets:
            raise BadTable("There is no sheet with cells in this spreadsheet.")
        sheet = book.worksheets[0]
        sheet.reset_dimensions()
        rows = []
        values = sheet.iter_rows(max_row=LAST_ROW, max_col=MOST_COLUMNS + 1, values_only=True)
        for line, cells in enumerate(values, start=1):
            if any(cell is not None for cell in cells):
                rows.append(SentRow(line, tuple(_cell_text(cell) for cell in cells)))
            if len(rows) > MOST_ROWS + 1:
                break
        more = f", the first of {len(book.worksheets)} sheets" if len(book.worksheets) > 1 else ""
        return rows, f"spreadsheet, sheet “{_short(str(sheet.title))}”{more}"
    finally:
        book.close()


def _cell_text(value: object) -> str:
    """As somebody would type it. A number with more than fifteen figures has lost some: it stays in its short form."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(sep=" ")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, int | float) and abs(value) >= 10**15:
        return f"{value:.5e}"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)
