"""The text of a page without the layout of its template."""

from __future__ import annotations

import re


def one_line(html: str) -> str:
    """``html`` with every stretch of white space as one blank, as a browser shows it."""
    return re.sub(r"\s+", " ", html).strip()


def without_gaps(html: str) -> str:
    """``html`` in one line, without blanks beside a tag."""
    return re.sub(r"\s*(</?[a-z][^>]*?)\s*>\s*", r"\1>", one_line(html))
