"""Run by cosmic-ray in a copy of the project: the tests of the one file that differs there from what was committed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.mutations.modules import WHILE_MADE, tests_for

ENDED = "The tests ended with"
"""Stands in what a mutant's run says; without it nothing was tried, and nothing is counted."""
MADE = "test.sqlite3"
"""An empty database with all migrations, beside the copy: making one took two thirds of a short run."""


def main() -> int:
    here = Path.cwd()
    told = subprocess.run(["git", "diff", "--name-only"], cwd=here, capture_output=True, text=True, check=True)
    changed = [line for line in told.stdout.splitlines() if line.startswith("shopkb/")]
    if len(changed) != 1:
        raise SystemExit(f"Expected one mutated file, found {changed}.")
    with tempfile.TemporaryDirectory(prefix="shopkb-mutant-") as folder:
        made, reused = here.parent / MADE, []
        if made.exists() and changed[0] not in WHILE_MADE:
            shutil.copy2(made, Path(folder) / MADE)
            reused = ["--reuse-db"]
        options = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider", *reused]
        ended = subprocess.run(
            [sys.executable, "-m", "pytest", *options, *tests_for(changed[0], here)],
            cwd=here, env={**os.environ, "SHOPKB_DATA_DIR": folder}, check=False,
        ).returncode  # fmt: skip
    sys.stdout.write(f"{ENDED} {ended}\n")
    return ended


if __name__ == "__main__":
    raise SystemExit(main())
