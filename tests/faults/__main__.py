"""The long form: ``python -m tests.faults``. Both databases, 100 kills and 10 restarts each.

Prints what was survived and writes it into the table of DEVELOPERS.md.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.proof import keep

ROOT = Path(__file__).resolve().parent.parent.parent
LONG = {"SHOPKB_KILLS": "100", "SHOPKB_LOCKED": "10", "SHOPKB_CASES": "5000"}


def main() -> int:
    with tempfile.TemporaryDirectory(prefix="shopkb-faults-") as folder:
        figures = Path(folder) / "figures"
        notes = str(Path(folder) / "server")
        script = ROOT / ".ci" / "postgres"
        durable = {**os.environ, "POSTGRES_DURABLE": "1"}
        started = subprocess.run(
            ["bash", script, "start", notes], env=durable, capture_output=True, text=True, check=False
        )
        if started.returncode != 0:
            sys.stderr.write(started.stderr)
            return 1
        address = started.stdout.strip().splitlines()[-1]
        try:
            ended = [
                subprocess.run(
                    [sys.executable, "-m", "pytest", "-q", "tests/faults"],
                    cwd=ROOT,
                    env={**os.environ, **LONG, "SHOPKB_FIGURES": str(figures), **more},
                    check=False,
                ).returncode
                for more in ({}, {"DATABASE_URL": address})
            ]
        finally:
            subprocess.run(["bash", script, "stop", notes], check=False)
        lines = figures.read_text(encoding="utf-8") if figures.exists() else ""
        sys.stdout.write(f"\n| measured | database | figure |\n| --- | --- | --- |\n{lines}")
        keep(lines.splitlines())  # a test notes its figure when it has passed
    return max(ended)


if __name__ == "__main__":
    raise SystemExit(main())
