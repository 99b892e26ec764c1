"""A page of figures in a terminal: the words of the page, the tables in columns as wide as the window."""

from __future__ import annotations

import shutil
from typing import TextIO, cast

from django.core.management.base import OutputWrapper

from shopkb.reports.presenting.cells import cell_words
from shopkb.reports.presenting.tables import Cell, Column, Table

WIDE = 160
"""Letters in a line where nothing says how wide the window is: in a file, or behind a pipe."""
TEXT = 24
"""Letters that a column of words has room for at least."""


def write_page(
    out: TextIO | OutputWrapper,
    title: str,
    said: tuple[str, ...],
    facts: tuple[tuple[str, str], ...],
    tables: tuple[Table, ...],
) -> None:
    """``said`` are sentences, ``facts`` pairs of words and figure. Bold only where ``out`` is a terminal."""
    from rich.console import Console
    from rich.table import Table as Grid
    from rich.text import Text

    width = shutil.get_terminal_size((WIDE, 40)).columns if out.isatty() else WIDE
    console = Console(file=cast("TextIO", out), width=width, highlight=False, markup=False, emoji=False)
    console.print(Text(title, "bold"))
    for sentence in said:
        console.print(sentence)
    if facts:
        grid = Grid.grid(padding=(0, 2))
        for words, figure in facts:
            grid.add_row(Text(words), Text(figure))
        console.print(grid)
    for table in tables:
        console.print()
        console.print(Text(table.title, "bold"))
        if not table.rows:
            console.print(table.empty)
            continue
        if table.about:
            console.print(Text(table.about))
        rows = Grid(show_edge=False, pad_edge=False)
        shown = [column for column in table.filed if not column.only_in_file]
        for column in shown:
            if column.is_figure:
                rows.add_column(Text(column.heading), justify="right")
            else:
                rows.add_column(Text(column.heading), min_width=TEXT)
        for row in table.rows:
            rows.add_row(*(Text(_words(column, row[column.key])) for column in shown))
        console.print(rows)


def _words(column: Column, cell: Cell) -> str:
    figure, rests = cell_words(column, cell.value)
    below = ", ".join(part for part in (rests, cell.under) if part)
    return f"{figure}\n{below}" if below else figure
