"""Templates a person can review: one element a line, and lines that fit a screen."""

from __future__ import annotations

from pathlib import Path

import shopkb

TEMPLATES = sorted(Path(shopkb.__file__).parent.glob("*/templates/**/*.html"))
WIDE = 120


def test_at_most_one_line_in_a_hundred_is_wide() -> None:
    lines = [line for template in TEMPLATES for line in template.read_text(encoding="utf-8").splitlines()]
    wide = sum(len(line) > WIDE for line in lines)
    assert wide <= len(lines) / 100


def test_no_line_hides_more_than_two_elements() -> None:
    """A line that opens three block elements is three lines."""
    blocks = ("<div", "<p", "<form", "<section", "<ul", "<ol", "<table", "<tr", "<details", "<fieldset")
    crowded = [
        f"{template.name}: {line.strip()[:80]}"
        for template in TEMPLATES
        for line in template.read_text(encoding="utf-8").splitlines()
        if sum(line.count(f"{block}{end}") for block in blocks for end in " >") > 2
    ]
    assert crowded == []
