"""The long form: ``python -m tests.faults [--kills N]``, 200 kills in all unless told, half of them on each database.

It goes in rounds: first one of 25 kills with restarts, locks and a full disk, where each server is started from
nothing; then of 100 kills, where servers are forks of a process that has the program loaded
(:mod:`tests.faults.forked`). Each round that passes adds its figures to the table of DEVELOPERS.md at once; ended in
between, the same command goes on where it was.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.proof import ROOT
from tests.rounds import Rounds

KILLED = "kill -9 of the server survived"
FIRST, EACH = 25, 100
"""Kills of the first round and of a further one."""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200, help="In all, over both databases.")
    parser.add_argument("--anew", action="store_true", help="Forget a run that was ended in between.")
    parser.add_argument("--only-kills", action="store_true", help="Leave the first round's other tests out.")
    options = parser.parse_args()
    rounds = Rounds("faults", options.kills, anew=options.anew)
    with tempfile.TemporaryDirectory(prefix="shopkb-faults-") as folder:
        notes = str(Path(folder) / "server")
        script = ROOT / ".ci" / "postgres"
        durable = {**os.environ, "POSTGRES_DURABLE": "1"}
        started = subprocess.run(
            ["bash", script, "start", notes], env=durable, capture_output=True, text=True, check=False
        )
        if started.returncode != 0:
            sys.stderr.write(started.stderr)
            return 1
        databases = {"sqlite": "", "postgresql": started.stdout.strip().splitlines()[-1]}
        try:
            passed = all_rounds(rounds, databases, Path(folder), only_kills=options.only_kills)
        finally:
            subprocess.run(["bash", script, "stop", notes], check=False)
    sys.stdout.write("\n".join(["", "| measured | database | figure |", "| --- | --- | --- |", *rounds.lines, ""]))
    if passed:
        rounds.over()
    return 0 if passed else 1


def all_rounds(rounds: Rounds, databases: dict[str, str], folder: Path, *, only_kills: bool) -> bool:
    """Whether every round passed until the goal; by turns, so that a run ended early tried both."""
    most = rounds.goal // len(databases)
    while left := {name: most - rounds.counted(KILLED, name) for name in databases}:
        name = max(left, key=lambda name: left[name])
        if left[name] <= 0:
            return True
        kills = min(EACH if name in rounds.done else FIRST, left[name])
        if not one_round(rounds, name, databases[name], kills, folder, only_kills=only_kills):
            return False
        sys.stdout.write(f"{rounds.counted(KILLED)} of {rounds.goal} kills.\n")
        sys.stdout.flush()
    return True


def one_round(rounds: Rounds, name: str, address: str, kills: int, folder: Path, *, only_kills: bool) -> bool:
    number = rounds.done.get(name, 0)
    figures = folder / f"{name}-{number}"
    what = ["tests/faults/test_kills.py", "-k", "killed"] if number or only_kills else ["tests/faults"]
    more = {
        "SHOPKB_KILLS": str(kills), "SHOPKB_SEED": str(number), "SHOPKB_LOCKED": "10", "SHOPKB_CUTS": "20",
        "SHOPKB_CASES": "5000", "SHOPKB_FIGURES": str(figures),
        **({"SHOPKB_FORKED": "1"} if number else {}), **({"DATABASE_URL": address} if address else {}),
    }  # fmt: skip
    tried = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-n", "0", "--timeout=0", *what],
        cwd=ROOT,
        env={**os.environ, **more},
        check=False,
    )
    if tried.returncode == 0:
        rounds.add(name, figures.read_text(encoding="utf-8").splitlines())
    return tried.returncode == 0


if __name__ == "__main__":
    raise SystemExit(main())
