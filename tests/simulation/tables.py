"""The tables that the long simulations leave behind, dated: ``tests/simulation/tables/``."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Final

FOLDER: Final = Path(__file__).parent / "tables"


def keep(name: str, table: str, command: str = "") -> None:
    """Put a Markdown table in the place of the one before. ``command`` made it, by default that of all tables."""
    FOLDER.mkdir(exist_ok=True)
    command = command or f"python -m tests.simulation {name}"
    made = f"<!-- written by: {command} -->\n\nMade {datetime.now(tz=UTC).date().isoformat()}."
    (FOLDER / f"{name}.md").write_text(f"{made}\n\n{table.strip()}\n", encoding="utf-8")
