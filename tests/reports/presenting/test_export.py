"""CSV and sorting of tables. The file is read back by pandas, a reader of its own."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import date

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from shopkb.reports.figures.facts_of_period import Latest
from shopkb.reports.figures.shares import Quartiles, Share
from shopkb.reports.presenting.export import as_json, csv_text
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Table
from shopkb.web.csv_cells import MARK, safe
from tests.examples import examples

COLUMNS = (
    Column("step", "Step"),
    Column("jobs", "Jobs", ColumnKind.COUNT, "jobs"),
    Column("found", "Found", ColumnKind.SHARE, of="proven jobs"),
    Column("minutes", "Minutes", ColumnKind.SPREAD, "min"),
    Column("day", "Day", ColumnKind.DATE),
)


def _row(step: str, jobs: int | None, share: Share, under: str = "") -> dict[str, Cell]:
    return {
        "step": Cell(step, under=under),
        "jobs": Cell(jobs),
        "found": Cell(share),
        "minutes": Cell(Quartiles(4.5, 3.0, 6.25, 9)),
        "day": Cell(date(2026, 3, 2)),
    }


def _table(*rows: dict[str, Cell]) -> Table:
    return Table("steps", "Steps", COLUMNS, rows)


def test_the_file_holds_figures_with_their_units() -> None:
    text = csv_text(_table(_row('Supply, at "pin 2"', 41, Share(21, 41), "step 4")))
    assert text.startswith(MARK) and text.endswith("\r\n") and text.count("\r\n") == 2
    read = pd.read_csv(io.BytesIO(text.encode()), encoding="utf-8-sig")
    assert list(read.columns) == [
        "Step", "Jobs (jobs)", "Found, share (0 to 1)", "Found, low (95 %)", "Found, high (95 %)", "Found, counted",
        "Found, of proven jobs", "Minutes, median (min)", "Minutes, lower quartile (min)",
        "Minutes, upper quartile (min)", "Minutes, known times", "Day (date, ISO 8601)", "Step, note",
    ]  # fmt: skip
    row = read.iloc[0]
    assert row["Step"] == 'Supply, at "pin 2"' and row["Step, note"] == "step 4"
    low, high = stats.beta(21.5, 20.5).interval(0.95)
    assert (row["Found, low (95 %)"], row["Found, high (95 %)"]) == pytest.approx((low, high), abs=1e-5)
    assert (row["Jobs (jobs)"], row["Found, counted"], row["Minutes, median (min)"]) == (41, 21, 4.5)


def test_what_rests_on_the_latest_jobs_says_so_where_it_stands() -> None:
    """One heading of the two says it; how many of how many, and since when, stands in each row."""
    columns = (COLUMNS[0], COLUMNS[1], replace(COLUMNS[3], latest=True))
    table = replace(_table(_row("a", 41, Share(21, 41)), _row("b", 2, Share(1, 2))), columns=columns)
    since = "2026-01-05T08:30:00+00:00"
    read = pd.read_csv(io.StringIO(csv_text(replace(table, latest=Latest(2000, 34120, since))).removeprefix(MARK)))
    assert list(read.columns) == [
        "Step", "Jobs (jobs)", "Minutes, latest jobs, median (min)", "Minutes, latest jobs, lower quartile (min)",
        "Minutes, latest jobs, upper quartile (min)", "Minutes, latest jobs, known times",
        "Latest jobs counted (jobs)", "Latest jobs, of those of the period (jobs)",
        "Latest jobs, closed since (date, ISO 8601)",
    ]  # fmt: skip
    assert read.iloc[:, -3:].values.tolist() == [[2000, 34120, since]] * 2
    told = as_json(replace(table, latest=Latest(2000, 34120, since)))
    assert told["latest"] == {"jobs": 2000, "in_period": 34120, "since": since}
    assert [column["latest"] for column in told["columns"]] == [False, False, True]  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@sum", "\tx", "\rx", "\nx", "\0x", "\uff1d1", "\uff0b1", "\uff0d1", "\uff20x"]
)
def test_text_never_begins_a_formula(text: str) -> None:
    assert safe(text) == f"'{text}"


@given(st.one_of(st.integers(), st.floats(allow_nan=False, allow_infinity=False)))
def test_numbers_stay_numbers(number: float) -> None:
    assert safe(number) == number and not isinstance(safe(number), str)


@given(st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0\r\n"), min_size=1, max_size=40))
@settings(max_examples=examples(60))
def test_any_words_come_back(words: str) -> None:
    text = csv_text(_table(_row(words, 1, Share(1, 2))))
    read = pd.read_csv(io.StringIO(text.removeprefix(MARK)), keep_default_na=False, dtype=str)
    assert read.iloc[0]["Step"] == safe(words)


def test_plain_data_says_what_a_share_is_made_of() -> None:
    row = as_json(_table(_row("x", None, Share(0, 0))))["rows"][0]  # type: ignore[index]
    assert row["jobs"] is None and row["day"] == "2026-03-02"
    assert row["found"] == {"share": None, "low": None, "high": None, "counted": 0, "of proven jobs": 0}


def test_rows_are_ranked_by_the_near_end_and_too_few_come_last() -> None:
    rows = [_row("few", 4, Share(4, 4)), _row("sure", 100, Share(60, 100)), _row("lucky", 5, Share(4, 5))]
    names = [row["step"].value for row in _table(*rows).sorted("found").rows]
    assert names == ["sure", "lucky", "few"]
    turned = _table(*rows).sorted("-found")
    assert [row["step"].value for row in turned.rows] == ["lucky", "sure", "few"]
    assert (turned.direction("found"), turned.direction("jobs")) == ("ascending", "")
    assert _table(*rows).sorted("no-such-column").rows == tuple(rows)
