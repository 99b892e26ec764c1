"""Rows of the published tables in tests/data/published."""

from __future__ import annotations

import csv
from pathlib import Path

_HERE = Path(__file__).parents[2] / "data" / "published"


def rows(name: str) -> list[dict[str, str]]:
    """Rows of ``NAME.csv`` by column name."""
    with (_HERE / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
