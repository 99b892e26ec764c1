"""The long form: ``python -m tests.fuzz [CASES]``, 100,000 unless told. Prints how many cases each target was given.

It goes in rounds of 20,000, each with a seed of its own. A round that passes adds its figures to the table of
DEVELOPERS.md at once; ended in between, the same command goes on where it was. Forms, words behind the question mark
and parts of addresses need a database and come on top: 1,000 cases for each in every fifth round, and in the fifth one
every probe in every field of every form too.
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

EACH = 20_000
FORMS = "1000"
OF_FORMS = 5
"""Every how many rounds the forms come too, which take longest."""
EVERY_FORM = "field or words or path"
SOME_FORMS = "(form_fields or words or path) and not every"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cases", type=int, nargs="?", default=100_000)
    parser.add_argument("--anew", action="store_true", help="Forget a run that was ended in between.")
    options = parser.parse_args()
    rounds = Rounds("fuzz", options.cases, anew=options.anew)
    passed = True
    while passed and (left := rounds.goal - rounds.counted("cases of")) > 0:
        passed = one_round(rounds, min(EACH, left))
        sys.stdout.write(f"{rounds.counted('cases of')} of {rounds.goal} cases.\n")
        sys.stdout.flush()
    sys.stdout.write("\n".join(["", "| measured | database | figure |", "| --- | --- | --- |", *rounds.lines, ""]))
    answered = "all answered clearly" if passed else "the last round was NOT answered clearly"
    sys.stdout.write(f"\n{rounds.counted('cases')} cases, {answered}.\n")
    if passed:
        rounds.over()
    return 0 if passed else 1


def one_round(rounds: Rounds, cases: int) -> bool:
    number = rounds.done.get("", 0)
    with tempfile.TemporaryDirectory(prefix="shopkb-fuzz-") as folder:
        figures = Path(folder) / "figures"
        more = {
            "SHOPKB_FIGURES": str(figures), "SHOPKB_DATA_DIR": folder, "SHOPKB_FUZZ": str(cases),
            "SHOPKB_CASES": FORMS, "SHOPKB_PROBES": "all",
        }  # fmt: skip
        tried = [["tests/fuzz"]]
        if number % OF_FORMS == OF_FORMS - 1:
            only = EVERY_FORM if number == OF_FORMS - 1 else SOME_FORMS
            tried.append(["tests/rights/test_hostile.py", "-k", only])
        for paths in tried:
            ended = subprocess.run(
                [sys.executable, "-m", "pytest", "-q", "-n", "0", "--timeout=0", f"--hypothesis-seed={number}", *paths],
                cwd=ROOT,
                env={**os.environ, **more},
                check=False,
            )
            if ended.returncode != 0:
                return False
        rounds.add("", figures.read_text(encoding="utf-8").splitlines())
    return True


if __name__ == "__main__":
    raise SystemExit(main())
