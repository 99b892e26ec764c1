"""Tables that people send: what is read of them, and that nothing hostile is more than a sentence."""

from __future__ import annotations

import io
import time
import zipfile
from collections.abc import Callable

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.web.sent_tables import (
    LARGEST_FILE,
    MOST_COLUMNS,
    MOST_ROWS,
    BadTable,
    SentTable,
    as_text,
    from_text,
    read_table,
)
from tests.examples import examples

HEAD, ROW = ["Kennzeichen", "Prüfnr.", "Größe"], ["SB 1", "ä;b", "5"]
TEXT = 'Kennzeichen;Prüfnr.;Größe\r\nSB 1;"ä;b";5\r\n'


def spreadsheet(rows: list[list[object]], more: Callable[[openpyxl.Workbook], None] | None = None) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    if more is not None:
        more(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def cells(table: SentTable) -> list[list[str]]:
    return [list(row.cells) for row in (table.headings, *table.rows)]


@pytest.mark.parametrize(
    ("codec", "mark", "told"),
    [
        ("utf-8", b"", "UTF-8"),
        ("utf-8", b"\xef\xbb\xbf", "UTF-8"),
        ("cp1252", b"", "Windows-1252"),
        ("utf-16-le", b"\xff\xfe", "UTF-16"),
        ("utf-16-be", b"\xfe\xff", "UTF-16"),
        ("utf-16-le", b"", "UTF-16"),
        ("utf-16-be", b"", "UTF-16"),
    ],
)
def test_encodings_are_told_apart(codec: str, mark: bytes, told: str) -> None:
    table = read_table(mark + TEXT.encode(codec))
    assert cells(table) == [HEAD, ROW]
    assert table.told == f"CSV, {told}, separated by semicolons"


@pytest.mark.parametrize(("separator", "told"), [(",", "commas"), (";", "semicolons"), ("\t", "tabs"), ("|", "bars")])
def test_separators_are_told_apart(separator: str, told: str) -> None:
    rows = [["A", "B", "C"], ["1,5", "a;b|c", ""], ["2", "x", "y"]]
    text = "\n".join(separator.join(f'"{cell}"' if set(cell) & set(",;|") else cell for cell in row) for row in rows)
    table = read_table(text.encode())
    assert cells(table) == rows and table.told.endswith(f"separated by {told}")
    said = read_table(f"sep={separator}\r\n{text}".encode())
    assert cells(said) == rows and [row.line for row in said.rows] == [3, 4]


def test_lines_are_numbered_as_they_stand_in_the_file() -> None:
    text = 'A,B\n\n"two\nlines",x\n,\n y ,z,,\n'
    table = read_table(text.encode())
    assert [(row.line, row.cells) for row in table.rows] == [(3, ("two lines", "x")), (6, ("y", "z"))]


def test_one_column_is_a_table_too() -> None:
    assert cells(read_table(b"Registration\nSB 1\nSB 2\n")) == [["Registration"], ["SB 1"], ["SB 2"]]


def test_a_spreadsheet_is_read_as_somebody_would_type_it() -> None:
    from datetime import date, datetime

    rows: list[list[object]] = [
        ["Reg", "Year", "Day", "At", "Rate", "Ok", "VIN"],
        [None] * 7,
        ["SB 1", 2015, date(2015, 3, 1), datetime.fromisoformat("2015-03-01T09:30"), 1.5, True, 12345678901234567],
    ]
    table = read_table(spreadsheet(rows, lambda book: book.create_sheet("more")))
    assert table.told == "spreadsheet, sheet “Sheet”, the first of 2 sheets"
    assert [(row.line, row.cells) for row in table.rows] == [
        (3, ("SB 1", "2015", "2015-03-01", "2015-03-01 09:30:00", "1.5", "yes", "1.23457e+16"))
    ]


def merged(book: openpyxl.Workbook) -> None:
    book.active.merge_cells("A1:B1")


def zipped(**parts: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in parts.items():
            archive.writestr(name.replace("__", "/").replace("_xml", ".xml"), body)
    return out.getvalue()


def with_part(body: bytes, name: str, change: Callable[[bytes], bytes]) -> bytes:
    """A spreadsheet with one of its parts changed."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(body)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            data = old.read(part)
            new.writestr(part.filename, change(data) if part.filename == name else data)
    return out.getvalue()


PLAIN = spreadsheet([["Reg"], ["SB 1"]])
SHEET = "xl/worksheets/sheet1.xml"
HOSTILE = {
    "empty": (b"", "empty"),
    "blank": (b" \n ,, \n", "no text in the file"),
    "headings alone": (b"Reg,VIN\n", "Only line 1 has any text"),
    "a title above": (b"Our fleet\nReg,VIN\nSB 1,\n", "Line 1 has one heading, “Our fleet”"),
    "too large": (b"a" * (LARGEST_FILE + 1), "at most 1 MiB"),
    "too many lines": (b"Reg\n" + b"x\n" * (MOST_ROWS + 1), f"more than {MOST_ROWS:,} lines"),
    "a million columns": (b"Reg\n" + b"," * 1_000_000 + b"x\n", "Line 2 has 1,000,001 columns"),
    "a long cell": (b'Reg,VIN\nSB 1,"' + b"x" * 501 + b'"\n', "Line 2, column 2: 501 characters"),
    "an open quotation mark": (b'Reg,VIN\nSB 1,x\nSB 2,"y\nSB 3,z\n', "Line 3: the quotation marks"),
    "a null character": (b"Reg,VIN\nSB 1,\0\n", "Line 2 holds a null character"),
    "a program": (b"\x7fELF\x02\x01\x01\0\0\0\0\0" * 40, "control character"),
    "no encoding": (b"Reg,VIN\nSB 1,\x81\n", "Line 2 is no Windows-1252 text"),
    "half of UTF-16": (b"\xff\xfeR\0e\0g\0\n\0\x00\xd8\n\0", "Line 2 is no UTF-16 text"),
    "UTF-32": ("Reg\nSB 1\n".encode("utf-32"), "UTF-32"),
    "an old spreadsheet": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 500, ".xls"),
    "an archive": (zipped(a=b"x"), "no spreadsheet (.xlsx) is in it"),
    "half a spreadsheet": (PLAIN[: len(PLAIN) // 2], "can be read"),
    "a bomb": (zipped(xl__workbook_xml=b"<a/>", xl__b_xml=b" " * (17 * 1024 * 1024)), "unpacks to more than 16 MiB"),
    "many parts": (zipped(**{f"p{number}": b"" for number in range(500)}), "unpacks to more"),
    "definitions": (
        with_part(
            PLAIN, SHEET, lambda data: data.replace(b"<worksheet", b'<!DOCTYPE a [<!ENTITY b "c">]><worksheet', 1)
        ),
        "definitions",
    ),
    "wide": (spreadsheet([["Reg"] * (MOST_COLUMNS + 9), ["x"]]), f"Line 1 has {MOST_COLUMNS + 1} columns"),
    "merged title": (spreadsheet([["Fleet", None], ["Reg", "VIN"], ["SB 1", "x"]], merged), "Line 1 has one heading"),
    "no cells": (spreadsheet([]), "no text in the file"),
}


@pytest.mark.parametrize("what", HOSTILE)
def test_what_is_no_table_is_refused_in_words(what: str) -> None:
    body, says = HOSTILE[what]
    began = time.monotonic()
    with pytest.raises(BadTable) as refused:
        read_table(body)
    assert says in str(refused.value) and str(refused.value).endswith(".")
    assert time.monotonic() - began < 10


def test_merged_headings_leave_columns_without_a_name() -> None:
    table = read_table(spreadsheet([["Vehicle", None, "VIN"], ["SB 1", "van", "x"]], merged))
    assert table.headings.cells == ("Vehicle", "(column 2, no heading)", "VIN")


def test_rows_at_the_end_of_the_sheet_and_far_beyond_it() -> None:
    """A row may call itself the last of the sheet, or a billion: what lies between is not made."""
    last = with_part(PLAIN, SHEET, lambda data: data.replace(b'r="2"', b'r="1048576"').replace(b"A2", b"A1048576"))
    assert [row.line for row in read_table(last).rows] == [1_048_576]
    beyond = with_part(
        PLAIN, SHEET, lambda data: data.replace(b'r="2"', b'r="999999999"').replace(b"A2", b"A999999999")
    )
    began = time.monotonic()
    with pytest.raises(BadTable):
        read_table(beyond)
    assert time.monotonic() - began < 20


def test_what_travels_with_the_page_is_the_same_table() -> None:
    table = read_table(TEXT.encode())
    assert from_text(as_text(table).replace("\n", "\r\n"), table.told) == table
    with pytest.raises(BadTable, match="changed on its way"):
        from_text("no number\tx", "")


WORDS = st.text(st.characters(exclude_categories=("Cs", "Cc", "Cn")), min_size=1, max_size=12).filter(str.strip)
ENDS = st.sampled_from(["\n", "\r\n"])


@given(st.lists(st.lists(WORDS, min_size=2, max_size=4), min_size=3, max_size=6), st.sampled_from(",;\t|"), ENDS)
@settings(max_examples=examples(60))
def test_any_words_come_back_from_csv(rows: list[list[str]], separator: str, end: str) -> None:
    width = len(rows[0])
    rows = [(row * width)[:width] for row in rows]
    text = end.join(separator.join(f'"{cell.replace(chr(34), chr(34) * 2)}"' for cell in row) for row in rows)
    table = read_table(text.encode())
    assert cells(table) == [[" ".join(cell.split()) for cell in row] for row in rows]


@given(st.data())
@settings(max_examples=examples(120), deadline=None)
def test_a_damaged_spreadsheet_is_a_table_or_a_sentence(data: st.DataObject) -> None:
    body = bytearray(PLAIN if data.draw(st.booleans()) else zlib_free(PLAIN))
    for _ in range(data.draw(st.integers(1, 6))):
        body[data.draw(st.integers(0, len(body) - 1))] = data.draw(st.integers(0, 255))
    try:
        assert read_table(bytes(body)).rows
    except BadTable as error:
        assert str(error).endswith(".")


def zlib_free(body: bytes) -> bytes:
    """The same spreadsheet stored without packing, so that damage comes to its XML; sums are made anew."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(body)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as new:
        for part in old.infolist():
            new.writestr(part.filename, old.read(part))
    return out.getvalue()


XML = st.sampled_from([b"<c>", b"</row>", b'r="ZZZZ9"', b't="s"', b"<v>9999</v>", b't="e"', b"&#1;", b'r=""', b"1e999"])


@given(st.sampled_from([SHEET, "xl/workbook.xml", "xl/styles.xml", "[Content_Types].xml"]), st.data())
@settings(max_examples=examples(120), deadline=None)
def test_a_part_that_is_damaged_is_a_table_or_a_sentence(name: str, data: st.DataObject) -> None:
    def damaged(part: bytes) -> bytes:
        for _ in range(data.draw(st.integers(1, 3))):
            at = data.draw(st.integers(0, len(part)))
            gone = data.draw(st.integers(0, 20))
            part = part[:at] + data.draw(XML) + part[at + gone :]
        return part

    try:
        assert read_table(with_part(PLAIN, name, damaged)).rows
    except BadTable as error:
        assert str(error).endswith(".")
