"""Hostile input for everything that reads what people give: a clear answer each time, and never a fault of the program.

Each target is a strategy of inputs and a check, which raises when an answer is not what it must be.
"""

from __future__ import annotations

import csv
import io
import json
import re
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any
from xml.etree import ElementTree

from django.core.exceptions import ValidationError
from hypothesis import strategies as st
from PIL import Image

from shopkb.charts.dot import flow_dot
from shopkb.charts.refusals import ChartUnavailable
from shopkb.charts.render import inline_svg, render
from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.identifiers import IdentifierError, check_key, check_vin, parse_trouble_code, suggest_key
from shopkb.core.readings.parsing import parse_quantity, parse_reading
from shopkb.core.readings.quantities import Reading, ReadingError
from shopkb.core.readings.units import UNITS
from shopkb.reports.presenting.export import csv_text
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Table
from shopkb.web.csv_cells import FORMULA
from shopkb.web.images import FORMATS, LONGEST_SIDE, BadPicture, encoded
from shopkb.web.markdown import clean, to_html, validate_text
from shopkb.web.sent_tables import BadTable, as_text, from_text, read_table
from tests.builders import CONTROL_TEXT, HORN_TEXT
from tests.charts.sample import FAN
from tests.rights.test_hostile import PROBES

Check = Callable[[Any], None]


@dataclass(frozen=True)
class Target:
    """``share``: of 1,000 cases of the long form, how many this target gets."""

    name: str
    inputs: st.SearchStrategy[Any]
    check: Check
    share: int


TEXT = st.text(max_size=60) | st.sampled_from([text[:200] for text in PROBES])
SIGNS = "0123456789 .,-+−eEµuΩkKMmVvAaohms%°C/><=~∞½٣²\u00a0\u2009"

# Procedure files -------------------------------------------------------------------------------------------------

LINES = [text.splitlines(keepends=True) for text in (HORN_TEXT, CONTROL_TEXT)]
YAML_SIGNS = ["&a ", "*a", "<<: *a", "!!python/object:os.system ", "---\n", "? ", "|\n", ">-\n", "{", "[" * 400,
              "\t", ": ", "#", "\u2028", "\ufeff", "\x00", "0x1F", "1e999", ".inf", "null", "~", "'", '"',
              "%TAG ! x\n"]  # fmt: skip


@st.composite
def procedure_files(draw: st.DrawFn) -> str | bytes:
    """A true file, damaged: lines gone, twice or elsewhere, words of others put in, cut off anywhere."""
    lines = list(draw(st.sampled_from(LINES)))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        how = draw(st.sampled_from(["drop", "twice", "swap", "insert", "word", "cut", "indent"]))
        if how == "drop" and len(lines) > 1:
            del lines[at]
        elif how == "twice":
            lines.insert(at, lines[at])
        elif how == "swap":
            other = draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        elif how == "indent":
            lines[at] = " " * draw(st.integers(0, 9)) + lines[at].lstrip()
        elif how == "cut":
            lines[at] = lines[at][: draw(st.integers(0, len(lines[at])))]
        else:
            put = draw(st.sampled_from(YAML_SIGNS) | TEXT)
            where = draw(st.integers(0, len(lines[at])))
            lines[at] = lines[at][:where] + put + lines[at][where:]
    text = "".join(lines)
    return text.encode("utf-8", "surrogatepass")[: draw(st.integers(1, 4000))] if draw(st.booleans()) else text


def check_procedure_file(given: str | bytes) -> None:
    outcome = read_flow(given)
    assert (outcome.flow is None) == bool(outcome.findings)
    assert all(finding.message for finding in outcome.findings)
    if outcome.flow is not None:
        check_flow(outcome.flow)
        assert read_flow(write_flow(outcome.flow)).flow == outcome.flow


# Markdown ----------------------------------------------------------------------------------------------------------

MARKDOWN = ["[a](javascript:alert(1))", "![a](//evil.example/x.png)", "<script>", "<img src=x onerror=a>", "`", "***",
            "|a|b|\n|-|-|\n|1|2|\n", "```\n", "    ", "1. ", "* ", "&lt;", "&#x3c;script&#62;", "<http://a>",
            "[x]: y\n",
            "R<Rmax and U>12", "\n\n", "<!--", "-->", "<svg/onload=a>", "data:text/html,a"]  # fmt: skip
ACTIVE = re.compile(
    r"<\s*(script|svg|iframe|object|style|form|input)|\son\w+\s*=|javascript:[^<]*\"|data:[^<]*\"", re.I
)


def check_markdown(given: str) -> None:
    try:
        validate_text(given)
    except ValidationError as error:
        assert error.messages[0].endswith(".")
        return
    html = to_html(given)
    assert clean(html) == html
    tags = re.findall(r"<[^>]*>", html)
    assert not [tag for tag in tags if ACTIVE.search(tag)], html


# Charts ------------------------------------------------------------------------------------------------------------


def lettered(given: tuple[str, str, str]) -> Any:
    title, label, note = given
    first = FAN.steps[0]
    outcomes = (replace(first.outcomes[0], label=label, note=note), *first.outcomes[1:])
    return replace(FAN, title=title, steps=(replace(first, title=title, outcomes=outcomes), *FAN.steps[1:]))


FAN_LABELS = len(flow_dot(FAN).labels)


def check_chart_text(given: tuple[str, str, str]) -> None:
    dot = flow_dot(lettered(given))
    assert len(dot.labels) == FAN_LABELS
    assert not any(sign in dot.source for sign in "\x00\x1b\ud800")
    dot.source.encode("utf-8")


def check_chart_drawn(given: tuple[str, str, str]) -> None:
    try:
        page = inline_svg(render(flow_dot(lettered(given)), "svg"))
    except ChartUnavailable as error:
        assert str(error).endswith(".")
        return
    for element in ElementTree.fromstring(page).iter():
        assert element.tag.rpartition("}")[2] not in ("script", "foreignObject", "style", "image")
        assert not [name for name in element.attrib if name.lower().startswith("on")]
        assert element.get("href", "/").startswith("/")


# Readings, VINs, codes -----------------------------------------------------------------------------------------------

QUANTITIES = sorted({unit.quantity for unit in UNITS.values()})


def check_reading(given: tuple[str, str]) -> None:
    typed, quantity = given
    unit = next(sign for sign, unit in UNITS.items() if unit.quantity == quantity)
    for read in (lambda: parse_reading(typed, quantity, unit), lambda: parse_quantity(typed, quantity, unit)):
        try:
            found = read()
        except ReadingError as error:
            assert error.message
            continue
        value = found.quantity if isinstance(found, Reading) else found
        if value is not None:
            assert isinstance(value.magnitude, Decimal)
            assert value.magnitude.is_finite()
            assert UNITS[value.unit].quantity == quantity


def check_vehicle_number(given: str) -> None:
    assert check_vin(given).state


def check_code(given: str) -> None:
    try:
        code = parse_trouble_code(given)
    except IdentifierError as error:
        assert str(error)
        return
    assert parse_trouble_code(code) == code


def check_any_key(given: str) -> None:
    try:
        assert re.fullmatch(r"[a-z0-9][a-z0-9-]*", check_key(given))
    except IdentifierError as error:
        assert str(error)
    made = suggest_key(given)
    assert made == "" or check_key(made) == made


# Files to take away --------------------------------------------------------------------------------------------------


def check_csv(given: list[str | int | float | None]) -> None:
    columns = (Column("a", "Words", ColumnKind.TEXT), Column("b", "Count", ColumnKind.COUNT))
    rows = tuple({"a": Cell(str(value) if value is not None else ""), "b": Cell(number)}
                 for number, value in enumerate(given))  # fmt: skip
    text = csv_text(Table("n", "t", columns, rows))
    read = list(csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline="")))
    assert len(read) == len(given) + 1
    for (cell, count), number, value in zip(read[1:], range(len(given)), given, strict=True):
        assert count == str(number)
        assert not cell.startswith(FORMULA)
        said = "" if value is None else str(value)
        assert cell == (f"'{said}" if said.startswith(FORMULA) else said)


# Pictures ------------------------------------------------------------------------------------------------------------


def _saved(kind: str, **more: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (40, 30), (200, 30, 30)).save(out, kind, **more)
    return out.getvalue()


def _with_place() -> bytes:
    """A JPEG that says where it was taken (EXIF's GPS part), at a made-up place."""
    exif = Image.Exif()
    exif.get_ifd(0x8825).update({1: "N", 2: (52.0, 30.0, 0.0), 3: "E", 4: (1.0, 0.0, 0.0)})
    exif[0x010E] = "Saltmarsh"
    exif[0x0112] = 6
    return _saved("JPEG", exif=exif)


def _declared(width: int, height: int) -> bytes:
    """A PNG of a few bytes that unpacks to this many pixels (a decompression bomb)."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    rows = zlib.compress(b"\0" * min((width // 8 + 1) * height, 20_000_000), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


PICTURES = [_saved("JPEG"), _saved("PNG"), _saved("WEBP"), _with_place(), _saved("GIF"), _saved("BMP"), _saved("TIFF"),
            _declared(10_000, 10_000), _declared(60_000, 60_000), _declared(0, 0),
            b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>", b"%PDF-1.7", b"GIF89a", b""]  # fmt: skip
TAILS = [b"<script>alert(1)</script>", b"PK\x03\x04", b"<?php echo 1; ?>", b"\xff\xd9" * 20, b"\x00" * 400]


@st.composite
def pictures(draw: st.DrawFn) -> bytes:
    """A picture, damaged, with something behind it, or nothing like one."""
    body = bytearray(draw(st.sampled_from(PICTURES)))
    for _ in range(draw(st.integers(0, 3))):
        if body:
            body[draw(st.integers(0, len(body) - 1))] = draw(st.integers(0, 255))
    cut = draw(st.integers(0, len(body))) if draw(st.integers(0, 3)) == 0 else len(body)
    return bytes(body[:cut]) + draw(st.sampled_from([b"", *TAILS]) | st.binary(max_size=40))


def check_picture(given: bytes) -> None:
    try:
        body, width, height = encoded(io.BytesIO(given))
    except BadPicture as error:
        assert str(error).endswith(".")
        return
    assert max(width, height) <= LONGEST_SIDE
    assert not any(tail[:12] in body for tail in TAILS[:3])
    with Image.open(io.BytesIO(body)) as kept:
        kept.load()
        assert kept.format == "JPEG" and kept.format in FORMATS
        assert not dict(kept.getexif()) and "exif" not in kept.info


# Deep JSON -----------------------------------------------------------------------------------------------------------

leaves = st.none() | st.booleans() | st.integers() | st.floats() | TEXT
JSON = st.recursive(leaves, lambda below: st.lists(below, max_size=4) | st.dictionaries(TEXT, below, max_size=4))
BODIES = (
    JSON.map(lambda value: json.dumps(value).encode())
    | st.integers(1, 100_000).map(lambda deep: b"[" * deep)
    | st.integers(1, 30_000).map(lambda deep: b'{"a":' * deep)
    | st.binary(max_size=200)
)


def check_body(given: bytes) -> None:
    """An item of an outbox, as the device's answer is read before anything is stored."""
    from django.core.exceptions import RequestDataTooBig
    from django.test import RequestFactory

    from shopkb.jobs.errors import NotPossible
    from shopkb.jobs.views.outbox import _item

    request = RequestFactory().generic("POST", "/", given, content_type="application/json")
    try:
        item = _item(request)
    except (NotPossible, RequestDataTooBig) as error:
        assert str(error)
        return
    assert all(isinstance(text, str) for pair in item.items() for text in pair)


# Lists that an office sends ----------------------------------------------------------------------------------------

LISTED = ["Registration", "VIN", "SB 1", ",", ";", "\t", "|", '"', "\n", "\r\n", "sep=;\n", "\ufeff", "\x00", "\x1c",
          "\u2028", "ä", "€", "=1+1", "," * 70]  # fmt: skip
CODECS = ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "latin-1"]


@st.composite
def sent_tables(draw: st.DrawFn) -> bytes:
    """CSV of all kinds in encodings of all kinds, cut off anywhere; or any bytes, some that begin as a spreadsheet."""
    if draw(st.integers(0, 4)) == 0:
        return draw(st.sampled_from([b"", b"PK\x03\x04", b"\xff\xfe", b"\xfe\xff", b"\xd0\xcf\x11\xe0"])) + draw(
            st.binary()
        )
    text = "".join(draw(st.lists(st.sampled_from(LISTED) | TEXT, max_size=30)))
    body = text.encode(draw(st.sampled_from(CODECS)), "replace")
    return body[: draw(st.integers(0, len(body)))] if draw(st.booleans()) else body


def check_sent_table(given: bytes) -> None:
    try:
        table = read_table(given)
    except BadTable as error:
        assert str(error).endswith(".")
        return
    assert table.rows and {len(row.cells) for row in table.rows} >= {len(table.headings.cells)}
    assert from_text(as_text(table), table.told) == table
    assert all(row.line > table.headings.line for row in table.rows)


TYPED = st.text(SIGNS, max_size=24) | TEXT
WORDS = st.lists(st.sampled_from(MARKDOWN) | TEXT, max_size=8).map("".join)
VINS = st.text("ABCDEFGHJKLMNPRSTUVWXYZ0123456789IOQ -_", min_size=0, max_size=20) | TEXT
CODES = st.text("PBCUpbcu0123456789ABCDEFabcdefxX -", max_size=9) | TEXT
CELLS = st.lists(st.none() | st.integers() | st.floats() | TEXT | st.sampled_from(FORMULA).map(lambda s: s + "1+1"),
                 max_size=6)  # fmt: skip
LETTERS = st.text(min_size=1, max_size=80) | st.sampled_from([text[:300] or "a" for text in PROBES])

TARGETS = (
    Target("procedure files", procedure_files(), check_procedure_file, 80),
    Target("Markdown", WORDS, check_markdown, 150),
    Target("labels into charts", st.tuples(LETTERS, LETTERS, TEXT), check_chart_text, 100),
    Target("charts drawn", st.tuples(LETTERS, LETTERS, TEXT), check_chart_drawn, 2),
    Target("readings", st.tuples(TYPED, st.sampled_from(QUANTITIES)), check_reading, 170),
    Target("VINs", VINS, check_vehicle_number, 100),
    Target("fault codes", CODES, check_code, 100),
    Target("keys", TEXT, check_any_key, 60),
    Target("CSV", CELLS, check_csv, 78),
    Target("lists sent", sent_tables(), check_sent_table, 30),
    Target("pictures", pictures(), check_picture, 50),
    Target("JSON bodies", BODIES, check_body, 80),
)
