"""Cells of files that a spreadsheet opens: what is made harmless there, by one rule for every file."""

from __future__ import annotations

from decimal import Decimal

MARK = "\ufeff"
"""Byte order mark at the beginning of a CSV file, so that a spreadsheet takes it for UTF-8."""
FORMULA = ("=", "+", "-", "@", "\t", "\0", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What a spreadsheet may take for the beginning of a formula, after OWASP's advice on CSV injection; the last four are
the first four as Japanese keyboards type them, full width."""

Plain = str | int | float | Decimal | None


def is_formula(value: Plain) -> bool:
    """Whether a spreadsheet could take it for a formula. Numbers never are."""
    return isinstance(value, str) and value.startswith(FORMULA)


def safe(value: Plain) -> Plain:
    """A number as it is; text that a spreadsheet could take for a formula gets a leading apostrophe."""
    return f"'{value}" if is_formula(value) else value
