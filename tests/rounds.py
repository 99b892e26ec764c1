"""Long runs in rounds: the figures of each are added up in a file, so that a run can be ended and continued.

What a round counted counts once it has passed. A run that reached its goal is over; the next one begins anew.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from tests.proof import LINE, ROOT, keep

PLACE = ROOT / ".rounds"
Totals = dict[str, dict[str, str]]


class Rounds:
    """What was counted so far towards ``goal``, kept in ``place/name.json``."""

    def __init__(self, name: str, goal: int, *, anew: bool = False, place: Path = PLACE) -> None:
        self.goal, self._file = goal, place / f"{name}.json"
        held: dict[str, Any] = {}
        if self._file.exists() and not anew:
            held = json.loads(self._file.read_text(encoding="utf-8"))
        self.done: dict[str, int] = held.get("done", {})
        """Rounds that have passed, by database."""
        self.totals: Totals = held.get("totals", {})
        self.versions: list[str] = held.get("versions", [])

    def counted(self, beginning: str, database: str = "") -> int:
        """The sum of what begins so, on this database or on all."""
        return sum(
            int(value)
            for name, by_database in self.totals.items()
            if name.startswith(beginning)
            for where, value in by_database.items()
            if value.isdecimal() and where.startswith(database)
        )

    def add(self, database: str, lines: Iterable[str]) -> None:
        """Take in what a round that has passed noted: whole numbers add up, anything else is the last one's."""
        for found in filter(None, map(LINE.match, lines)):
            of_name = self.totals.setdefault(found["name"], {})
            before, value = of_name.get(found["database"], ""), found["value"]
            both = before.isdecimal() and value.isdecimal()
            of_name[found["database"]] = str(int(before) + int(value)) if both else value
        self.done[database] = self.done.get(database, 0) + 1
        if (version := version_tried()) not in self.versions:
            self.versions.append(version)
        self._file.parent.mkdir(exist_ok=True)
        held = {"done": self.done, "totals": self.totals, "versions": self.versions}
        self._file.write_text(json.dumps(held, indent=1, sort_keys=True), encoding="utf-8")
        keep(self.lines)

    @property
    def lines(self) -> list[str]:
        return [
            f"| {name} | {database} | {value} |"
            for name, by_database in sorted(self.totals.items())
            for database, value in sorted(by_database.items())
        ]

    def over(self) -> None:
        """The goal is reached: the next run begins anew."""
        self._file.unlink(missing_ok=True)


def version_tried() -> str:
    """The commit that is tried, with a sign where files differ from it."""
    told = subprocess.run(
        ["git", "describe", "--always", "--dirty=+"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    return told.stdout.strip() or "unknown"
