"""Numbers that came in an address or a form."""

from __future__ import annotations

MOST_DIGITS = 18
"""More than any row needs, fewer than a database's 64-bit integer holds."""


def row_number(text: str) -> int | None:
    """The number of a row that this text gives; ``None`` where it is none that a row could have."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= MOST_DIGITS else None
