"""What is promised against faults and threats, which test holds it, and the last figure that test measured.

``python -m tests.proof`` runs the tests that count something quickly and writes the table into DEVELOPERS.md; the long
forms (``python -m tests.faults``, ``python -m tests.fuzz``) write theirs when they end. Nobody types a figure.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PAPER = ROOT / "DEVELOPERS.md"
FIGURES = ROOT / "tests" / "data" / "figures.json"
BEGIN, END = "<!-- written by tests.proof: begin -->", "<!-- written by tests.proof: end -->"
LINE = re.compile(r"\| (?P<name>[^|]+) \| (?P<database>[^|]+) \| (?P<value>[^|]+) \|")
QUICK = ("tests/rights/test_matrix.py", "tests/upkeep/test_backup.py", "tests/upkeep/test_migrations.py",
         "tests/upkeep/test_checks.py", "tests/catalog/test_trees_together.py", "tests/as_deployed.py")  # fmt: skip


@dataclass(frozen=True)
class Row:
    """``figures``: names under which tests note what they measured; those that begin so are shown."""

    threat: str
    promise: str
    tests: tuple[str, ...]
    figures: tuple[str, ...] = ()


ROWS = (
    Row("server killed (kill -9) while four people send", "acknowledged = on disk, once; every law holds",
        ("tests/faults/test_kills.py",), ("kill -9", "answers acknowledged meanwhile, all there", "of them")),
    Row("power cut while four people send (SQLite)", "acknowledged = on the disk that was told to keep it",
        ("tests/faults/test_power.py", "tests/upkeep/test_durable.py"),
        ("power cuts", "answers acknowledged before the last")),
    Row("disk full", "503 in plain words, nothing half written, pictures neither; work goes on",
        ("tests/faults/test_full_disk.py",), ("answers before the disk was full",)),
    Row("database locked, connections cut", "waited for, or 503 in plain words", ("tests/faults/test_kills.py",
        "tests/upkeep/test_unavailable.py"), ("times all connections were cut", "seconds a lock was waited for")),
    Row("PostgreSQL restarted under load", "503 meanwhile, nothing lost, goes on by itself",
        ("tests/faults/test_restart.py",), ("restarts of the database", "answers acknowledged meanwhile by the")),
    Row("the clock jumps", "order by the server's sequence; no law breaks, no page fails",
        ("tests/faults/test_clock.py",), ("jumps of the clock",)),
    Row("the same thing sent 1, 2, 20 times at once", "one row, equal replies", ("tests/faults/test_kills.py",)),
    Row("24 people write the trees at once", "both trees whole", ("tests/catalog/test_trees_together.py",),
        ("tree writes",)),
    Row("SQLite builds that can lose a commit in write-ahead mode", "told apart; a safe mode is in force",
        ("tests/upkeep/test_checks.py",)),
    Row("a row or event changed, put in or taken out behind the doors", "refused by trigger, else named by `verify`",
        ("tests/upkeep/test_append_only.py", "tests/upkeep/test_chains.py", "tests/upkeep/test_invariants.py")),
    Row("loss of the computer", "a backup under load restores equal on either database, log and one photo too",
        ("tests/faults/test_drill.py", "tests/upkeep/test_backup.py"), ("rows that came back",)),
    Row("a damaged database and no good backup", "what can be read is read into a new folder; what is lost is counted",
        ("tests/upkeep/test_salvage.py",)),
    Row("an upgrade", "data of earlier states comes along, the log is whole", ("tests/upkeep/test_migrations.py",)),
    Row("one person switches a danger off",
        "words wait for a second person; the checks of all procedures in force run first; what was shown is kept",
        ("tests/procedures/test_safety_words.py",)),
    Row("another's work or what is over, by address", "the table says who, the rows say what changed",
        ("tests/rights/test_matrix.py",), ("routes in the matrix", "commands in the matrix")),
    Row("forged forms, missing tokens, odd addresses, huge bodies", "one answer, never a fault of ours, nothing stored",
        ("tests/rights/test_hostile.py", "tests/rights/test_null_characters.py",
         "tests/rights/test_storable.py"), ("cases sent as",)),
    Row("hostile files, Markdown, labels, readings, pictures, JSON", "a value or a clear error",
        ("tests/fuzz/test_fuzz.py",), ("cases of",)),
    Row("guessed passwords and PINs, stolen or planted sessions",
        "slowed by name and address; sessions end when they must",
        ("tests/accounts/test_signing_in.py", "tests/accounts/test_tablet.py", "tests/accounts/test_second_factor.py")),
    Row("a shared tablet left lying", "locks, without the network too; what was typed is kept for the same person",
        ("tests/accounts/test_tablet.py", "tests/journeys/test_tablet.py", "tests/journeys/test_tablet_away.py")),
    Row("script from elsewhere, pages kept after sign-out", "one policy without exceptions, `no-store` on every answer",
        ("tests/rights/test_headers.py",)),
    Row("a proxy or unit set up wrongly", "the recipes work as they stand, with nginx, TLS and systemd's own checker",
        ("tests/as_deployed.py", "tests/upkeep/test_recipes.py"), ("nginx that", "systemd that")),
    Row("somebody asks too much of the server", "the next visitor waits less than 2 s; on top of enough, 429 in words",
        ("tests/accounts/test_slots.py", "tests/faults/test_stopping.py", "tests/hosting/test_shares.py")),
    Row("many people write at once", "on SQLite in the order they asked; nobody waits behind those who came later",
        ("tests/web/test_fair_sqlite.py",)),
    Row("somebody denies it",
        "sign-ins, refusals, rights, publications, restores are noted and stay; readers are counted",
        ("tests/upkeep/test_audit.py",)),
    Row("secrets in logs", "masked; nothing that was typed is logged", ("tests/upkeep/test_logs.py",)),
)  # fmt: skip

Kept = dict[str, dict[str, list[str]]]


def note(name: str, value: object) -> None:
    """A test measured this. Kept in the file that ``SHOPKB_FIGURES`` names, if any."""
    place = os.environ.get("SHOPKB_FIGURES", "")
    if place:
        database = os.environ.get("DATABASE_URL", "").partition(":")[0] or "sqlite"
        with Path(place).open("a", encoding="utf-8") as file:
            file.write(f"| {name} | {database} | {value} |\n")


def read() -> Kept:
    return json.loads(FIGURES.read_text(encoding="utf-8")) if FIGURES.exists() else {}


def keep(lines: Iterable[str]) -> None:
    """Take the figures of these lines as the last ones and write the table anew."""
    held, day = read(), datetime.now(UTC).date().isoformat()
    for line in lines:
        found = LINE.match(line)
        if found:
            held.setdefault(found["name"], {})[found["database"]] = [found["value"], day]
    FIGURES.write_text(json.dumps(held, indent=1, sort_keys=True, ensure_ascii=False) + "\n", encoding="utf-8")
    text = PAPER.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    PAPER.write_text(f"{before}{section(held)}{after}", encoding="utf-8")


def section(held: Kept) -> str:
    """The table with its marks, from the figures kept."""
    lines = [BEGIN, "| fault or threat | promise | test | last figure |", "| --- | --- | --- | --- |"]
    for row in ROWS:
        tests = ", ".join(f"`{test}`" for test in row.tests)
        lines.append(f"| {row.threat} | {row.promise} | {tests} | {figures_of(row, held)} |")
    days = [day for kept in held.values() for _value, day in kept.values()]
    lines += ["", f"Measured {min(days)} to {max(days)}." if days else "Nothing was measured yet.", END]
    return "\n".join(lines)


def figures_of(row: Row, held: Kept) -> str:
    names = [name for start in row.figures for name in sorted(held) if name.startswith(start)]
    told = []
    for name in dict.fromkeys(names):
        by_value: dict[str, list[str]] = {}
        for database, (value, _day) in sorted(held[name].items()):
            by_value.setdefault(value, []).append(database)
        values = ", ".join(f"{value} ({', '.join(where)})" for value, where in by_value.items())
        told.append(f"{name}: {values}")
    return "; ".join(told)


def main() -> int:
    with tempfile.TemporaryDirectory(prefix="shopkb-proof-") as folder:
        figures = Path(folder) / "figures"
        more = {"SHOPKB_FIGURES": str(figures), "SHOPKB_DATA_DIR": folder}
        ended = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "--timeout=0", *QUICK],
            cwd=ROOT,
            env={**os.environ, **more},
            check=False,
        ).returncode
        if ended == 0:
            keep(figures.read_text(encoding="utf-8").splitlines() if figures.exists() else [])
    return ended


if __name__ == "__main__":
    raise SystemExit(main())
