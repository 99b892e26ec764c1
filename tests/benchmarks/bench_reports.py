"""What the pages of figures cost as closed jobs grow: ``python -m tests.benchmarks.bench_reports``.

For each size and database the demo's world is made in a throwaway database through the bulk door for past jobs (slow
for the largest), and each page is asked for as a browser does. Milliseconds from the request to the finished page, the
least of several, in three situations: ``first`` (nothing remembered: the server has just been started), ``closing`` (a
job has been closed since it was last looked at) and ``again``. Told is processor time, of this process and of
PostgreSQL's together, so that another load on the computer says little. ``slope`` is that of the logarithm of
``closing`` over the logarithm of the jobs: 0 is flat, 1 is in proportion. Goal: under 300 ms at 100,000 closed jobs.

    python -m tests.benchmarks.bench_reports                      1,000, 10,000 and 100,000 jobs on both databases
    python -m tests.benchmarks.bench_reports --sqlite 1000 10000  other sizes, SQLite only
    --keep FOLDER                                                 keeps the databases there, and uses those it finds
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
SIZES = (1_000, 10_000, 100_000)
TIMES = 5
SITUATIONS = ("first", "closing", "again")
Figures = dict[str, dict[str, float]]


def measured() -> Figures:
    """Milliseconds of each page by situation, in a process whose settings lead to the database to measure."""
    import django

    django.setup()
    from django.conf import settings
    from django.test import Client
    from django.utils import timezone

    from shopkb.accounts.models import User
    from shopkb.jobs import closing
    from shopkb.jobs.models import Job
    from shopkb.reports import memory
    from shopkb.reports.registry import PAGES

    settings.ALLOWED_HOSTS = ["testserver"]
    keeper = User.objects.filter(role="keeper").earliest("pk")
    client = Client()
    client.force_login(keeper)
    addresses = {name: f"/figures/{name}/" for name in PAGES}
    addresses["month"] = f"/figures/month/{timezone.localdate():%Y-%m}/"

    def closed_again() -> None:
        cured = Job.objects.closed().filter(disposition=Job.Disposition.CURED, comebacks__isnull=True)
        job = closing.reopen_job(cured.latest("closed_at"), by=keeper)
        closing.close_job(job, Job.Disposition.CURED, by=keeper, at=timezone.now())

    before: dict[str, Callable[[], None]] = {
        "first": memory.forget, "closing": closed_again, "again": lambda: None,
    }  # fmt: skip
    found: Figures = {}
    for name, address in addresses.items():
        client.get(address)
        found[name] = {
            how: min(_asked(client, address, make_so) for _ in range(TIMES)) for how, make_so in before.items()
        }
    return found


def _clock() -> float:
    """Seconds of processor time so far; those of PostgreSQL's process for this connection as Linux tells them."""
    from django.db import connection

    if connection.vendor != "postgresql":
        return time.process_time()
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        backend = cursor.fetchone()[0]
    return time.process_time() + int(Path(f"/proc/{backend}/schedstat").read_text().split()[0]) / 1e9


def _asked(client: object, address: str, make_so: Callable[[], None]) -> float:
    make_so()
    begun = _clock()
    response = client.get(address)  # type: ignore[attr-defined]
    taken = (_clock() - begun) * 1000
    if response.status_code != 200:
        raise SystemExit(f"{address} answered {response.status_code}.")
    return taken


def made(jobs: int, folder: Path, database: str) -> dict[str, str]:
    """A demo world of about so many closed jobs; the environment that leads to it."""
    folder.mkdir(parents=True, exist_ok=True)
    place = {
        **os.environ,
        "SHOPKB_DATA_DIR": str(folder),
        "SHOPKB_WORLD": "demo",
        "DJANGO_SETTINGS_MODULE": "shopkb.settings",
    }
    place.pop("DATABASE_URL", None)
    if database == "postgresql":
        started = ["bash", str(ROOT / ".ci" / "postgres"), "start", str(folder / "server")]
        place["DATABASE_URL"] = subprocess.run(started, check=True, capture_output=True, text=True).stdout.split()[-1]
    command = [sys.executable, str(ROOT / "manage.py"), "demo", "--no-serve", "--jobs", str(jobs)]
    subprocess.run(command, env=place, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    return place


def one(jobs: int, folder: Path, database: str) -> Figures:
    """Make (or find) a world and measure it in a process of its own."""
    try:
        place = made(jobs, folder, database)
        command = [sys.executable, "-m", "tests.benchmarks.bench_reports", "--one"]
        done = subprocess.run(command, env=place, cwd=ROOT, check=True, capture_output=True, text=True)
        return dict(json.loads(done.stdout))
    finally:
        if database == "postgresql":
            subprocess.run(["bash", str(ROOT / ".ci" / "postgres"), "stop", str(folder / "server")], check=False)


def table(database: str, sizes: tuple[int, ...], columns: list[Figures]) -> str:
    """As Markdown."""
    heads = [f"{how}, {jobs:,}" for how in SITUATIONS for jobs in sizes]
    lines = [f"| {database}, ms | {' | '.join(heads)} | slope |", f"| --- |{' ---: |' * (len(heads) + 1)}"]
    for name in columns[0]:
        row = [column[name][how] for how in SITUATIONS for column in columns]
        ends = columns[0][name]["closing"], columns[-1][name]["closing"]
        slope = math.log(ends[1] / ends[0]) / math.log(sizes[-1] / sizes[0]) if len(sizes) > 1 else 0.0
        lines.append(f"| {name} | {' | '.join(f'{figure:.0f}' for figure in row)} | {slope:.2f} |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sizes", nargs="*", type=int, default=SIZES, help="Numbers of closed jobs.")
    parser.add_argument("--sqlite", action="store_true", help="SQLite only.")
    parser.add_argument("--postgresql", action="store_true", help="PostgreSQL only.")
    parser.add_argument("--keep", type=Path, help="Folder in which the databases stay.")
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    said = parser.parse_args()
    if said.one:
        print(json.dumps(measured()))
        return
    asked = [name for name in ("sqlite", "postgresql") if getattr(said, name)] or ["sqlite", "postgresql"]
    sizes = tuple(said.sizes)
    for database in asked:
        with tempfile.TemporaryDirectory(prefix="shopkb-bench-") as spare:
            kept = said.keep or Path(spare)
            print(
                table(database, sizes, [one(jobs, kept / f"{database}-{jobs}", database) for jobs in sizes]), flush=True
            )


if __name__ == "__main__":
    main()
