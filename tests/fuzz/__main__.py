"""The long form: ``python -m tests.fuzz [CASES]``, 100,000 unless told. Prints how many cases each target was given.

Forms, words behind the question mark and parts of addresses need a database and come on top: 5,000 cases for each,
and every probe in every field of every form.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.proof import keep

ROOT = Path(__file__).resolve().parent.parent.parent
CASES = "100000"
FORMS = "5000"


def main() -> int:
    cases = sys.argv[1] if len(sys.argv) > 1 else CASES
    with tempfile.TemporaryDirectory(prefix="shopkb-fuzz-") as folder:
        figures = Path(folder) / "figures"
        more = {"SHOPKB_FIGURES": str(figures), "SHOPKB_DATA_DIR": folder, "SHOPKB_FUZZ": cases}
        forms = {"SHOPKB_CASES": os.environ.get("SHOPKB_CASES", FORMS), "SHOPKB_PROBES": "all"}
        ended = [
            subprocess.run(
                [sys.executable, "-m", "pytest", "-q", *paths],
                cwd=ROOT,
                env={**os.environ, **more, **forms},
                check=False,
            ).returncode
            for paths in (["tests/fuzz"], ["tests/rights/test_hostile.py", "-k", "field or words or path"])
        ]
        lines = figures.read_text(encoding="utf-8") if figures.exists() else ""
        keep(lines.splitlines())  # a test notes its figure when it has passed
    count = sum(int(number) for number in re.findall(r"\| (\d+) \|$", lines, re.MULTILINE))
    sys.stdout.write(f"\n| measured | database | figure |\n| --- | --- | --- |\n{lines}")
    sys.stdout.write(f"\n{count} cases, {'all answered clearly' if not any(ended) else 'some NOT answered clearly'}.\n")
    return max(ended)


if __name__ == "__main__":
    raise SystemExit(main())
