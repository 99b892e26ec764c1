"""Run by cosmic-ray in a copy of the project: the tests of the one file that differs there from what was committed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.mutations.modules import tests_for

ENDED = "The tests ended with"
"""Stands in what a mutant's run says; without it nothing was tried, and nothing is counted."""


def main() -> int:
    here = Path.cwd()
    told = subprocess.run(["git", "diff", "--name-only"], cwd=here, capture_output=True, text=True, check=True)
    changed = [line for line in told.stdout.splitlines() if line.startswith("shopkb/")]
    if len(changed) != 1:
        raise SystemExit(f"Expected one mutated file, found {changed}.")
    ended = subprocess.run(
        [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider", *tests_for(changed[0], here)],
        cwd=here,
        check=False,
    ).returncode
    sys.stdout.write(f"{ENDED} {ended}\n")
    return ended


if __name__ == "__main__":
    raise SystemExit(main())
