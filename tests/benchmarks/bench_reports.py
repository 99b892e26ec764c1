"""What the pages of figures cost as closed jobs grow: ``python -m tests.benchmarks.bench_reports``.

Makes the demo's world in a throwaway database for each size (slow for the largest) and asks for each page twice; the
second time is told, in milliseconds of processor time of this process, database included (SQLite). ``exponent`` is the
slope of its logarithm over that of the jobs: 0 is flat, 1 is in proportion. Goal: under 300 ms at 100,000 closed jobs.
Give sizes as arguments to measure others: ``python -m tests.benchmarks.bench_reports 1000 10000``.
"""

from __future__ import annotations

import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
SIZES = (1_000, 10_000, 100_000)


def measured() -> dict[str, float]:
    """Milliseconds of each page, in a process whose settings lead to the database to measure."""
    import django

    django.setup()
    from django.utils import timezone

    from shopkb.reports.filters import Filters
    from shopkb.reports.registry import PAGES

    now = timezone.now()
    filters = Filters.of({}, timezone.localdate())
    found = {}
    for name, build in PAGES.items():
        build(filters, now)
        begun = time.process_time()
        build(filters, now)
        found[name] = (time.process_time() - begun) * 1000
    return found


def made(jobs: int, folder: str) -> dict[str, str]:
    """A demo world of about so many closed jobs; the environment that leads to it."""
    place = {
        **os.environ,
        "SHOPKB_DATA_DIR": folder,
        "SHOPKB_WORLD": "demo",
        "DJANGO_SETTINGS_MODULE": "shopkb.settings",
    }
    place.pop("DATABASE_URL", None)
    command = [sys.executable, str(ROOT / "manage.py"), "demo", "--no-serve", "--jobs", str(jobs)]
    subprocess.run(command, env=place, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    return place


def main(sizes: tuple[int, ...]) -> None:
    columns: list[dict[str, float]] = []
    for jobs in sizes:
        with tempfile.TemporaryDirectory(prefix="shopkb-bench-") as folder:
            place = made(jobs, folder)
            command = [sys.executable, "-m", "tests.benchmarks.bench_reports", "--one"]
            done = subprocess.run(command, env=place, cwd=ROOT, check=True, capture_output=True, text=True)
            columns.append({name: float(figure) for name, figure in map(str.split, done.stdout.splitlines())})
    print(f"{'page':12}" + "".join(f"{jobs:>10}" for jobs in sizes) + "  exponent")
    for name in columns[0]:
        row = [column[name] for column in columns]
        slope = math.log(row[-1] / row[0]) / math.log(sizes[-1] / sizes[0]) if len(sizes) > 1 else 0.0
        print(f"{name:12}" + "".join(f"{figure:10.0f}" for figure in row) + f"{slope:10.2f}")


if __name__ == "__main__":
    if sys.argv[1:] == ["--one"]:
        for page, figure in measured().items():
            print(page, figure)
    else:
        main(tuple(int(text) for text in sys.argv[1:]) or SIZES)
