"""What the pages at the vehicle cost as closed jobs grow: ``python -m tests.benchmarks.bench_pages``.

The demo's world is made in a throwaway database through the bulk door for past jobs (slow for the largest). An open
job's step page and a procedure's page are asked for as a browser does, in three situations: ``first`` (nothing
remembered: the server has just been started), ``closing`` (a job of the same procedure has been closed since) and
``again``. Told is processor time in milliseconds, the least of several, so that another load on the computer says
little, and the number of queries. ``slope`` is that of the logarithm of ``closing`` over the logarithm of the jobs: 0
is flat, 1 is in proportion.

    python -m tests.benchmarks.bench_pages                      1,000 and 10,000 jobs, SQLite
    python -m tests.benchmarks.bench_pages 1000 100000          other sizes
    --postgresql                                                on PostgreSQL
    --keep FOLDER                                               keeps the databases there, and uses those it finds
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
from typing import Any

ROOT = Path(__file__).resolve().parent.parent.parent
SIZES = (1_000, 10_000)
TIMES = 5
SITUATIONS = ("first", "closing", "again")
Figures = dict[str, dict[str, float]]


def measured() -> Figures:
    """Milliseconds and queries of each page by situation, in a process whose settings lead to the database."""
    import django

    django.setup()
    from django.conf import settings
    from django.core.cache import cache
    from django.test import Client
    from django.urls import reverse
    from django.utils import timezone

    from shopkb.accounts.models import User
    from shopkb.evidence import insight
    from shopkb.evidence.models import Tally
    from shopkb.jobs import closing
    from shopkb.jobs.models import Job, Run

    settings.ALLOWED_HOSTS = ["testserver"]
    keeper = User.objects.filter(role="keeper").earliest("pk")
    client = Client()
    client.force_login(keeper)
    run = next(run for run in Run.objects.filter(job__closed_at__isnull=True).order_by("pk") if _step_of(run))
    procedure = run.revision.procedure.key
    addresses = {
        "step page": reverse("jobs:step", args=[run.pk, _step_of(run)]),
        "procedure page": reverse("procedures:procedure", args=[procedure]),
    }

    def forget() -> None:
        insight.forget()
        cache.clear()

    def closed_again() -> None:
        cured = Job.objects.closed().filter(
            disposition=Job.Disposition.CURED, comebacks__isnull=True, runs__revision__procedure__key=procedure
        )
        job = closing.reopen_job(cured.latest("closed_at"), by=keeper)
        closing.close_job(job, Job.Disposition.CURED, by=keeper, at=timezone.now())

    before: dict[str, Callable[[], None]] = {"first": forget, "closing": closed_again, "again": lambda: None}
    found: Figures = {}
    for name, address in addresses.items():
        _asked(client, address)
        found[name] = {}
        for how, make_so in before.items():
            answers = []
            for _ in range(TIMES):
                make_so()
                answers.append(_asked(client, address))
            found[name][how] = min(taken for taken, _ in answers)
            found[name][f"{how}, queries"] = answers[-1][1]
    found["step page"] |= {"tallies": Tally.objects.of(procedure).count(), "jobs": Job.objects.closed().count()}
    return found


def _step_of(run: Any) -> str:
    from shopkb.jobs.models import Result
    from shopkb.jobs.standing import walk_of
    from shopkb.procedures.storing import flow_of

    rows = sorted(Result.objects.counting().filter(run=run), key=lambda row: row.pk)
    return str(walk_of(flow_of(run.revision), rows).current or "")


def _asked(client: Any, address: str) -> tuple[float, int]:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    begun = time.process_time()
    response = client.get(address)
    taken = (time.process_time() - begun) * 1000
    if response.status_code != 200:
        raise SystemExit(f"{address} answered {response.status_code}.")
    with CaptureQueriesContext(connection) as queries:
        client.get(address)
    return taken, len(queries)


def made(jobs: int, folder: Path, database: str) -> dict[str, str]:
    """A demo world of about so many closed jobs, made unless it is there; the environment that leads to it."""
    folder.mkdir(parents=True, exist_ok=True)
    settings = {"SHOPKB_DATA_DIR": str(folder), "SHOPKB_WORLD": "demo", "DJANGO_SETTINGS_MODULE": "shopkb.settings"}
    place = {**os.environ, **settings}
    place.pop("DATABASE_URL", None)
    if database == "postgresql":
        server = ["bash", str(ROOT / ".ci" / "postgres"), "start", str(folder / "server")]
        place["DATABASE_URL"] = subprocess.run(server, check=True, capture_output=True, text=True).stdout.split()[-1]
    command = [sys.executable, str(ROOT / "manage.py"), "demo", "--no-serve", "--jobs", str(jobs)]
    subprocess.run(command, env=place, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    return place


def one(jobs: int, folder: Path, database: str) -> Figures:
    """Make (or find) a world and measure it in a process of its own."""
    try:
        command = [sys.executable, "-m", "tests.benchmarks.bench_pages", "--one"]
        place = made(jobs, folder, database)
        done = subprocess.run(command, env=place, cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True)
        return dict(json.loads(done.stdout))
    finally:
        if database == "postgresql":
            subprocess.run(["bash", str(ROOT / ".ci" / "postgres"), "stop", str(folder / "server")], check=False)


def table(database: str, sizes: tuple[int, ...], columns: list[Figures]) -> str:
    """As Markdown."""
    heads = [f"{how}, {jobs:,}" for how in SITUATIONS for jobs in sizes]
    lines = [f"| {database}, ms | {' | '.join(heads)} | slope | queries |", f"| --- |{' ---: |' * (len(heads) + 2)}"]
    for name in columns[0]:
        row = [column[name][how] for how in SITUATIONS for column in columns]
        ends = columns[0][name]["closing"], columns[-1][name]["closing"]
        slope = math.log(ends[1] / ends[0]) / math.log(sizes[-1] / sizes[0]) if len(sizes) > 1 else 0.0
        queries = " / ".join(str(int(column[name]["again, queries"])) for column in columns)
        lines.append(f"| {name} | {' | '.join(f'{figure:.1f}' for figure in row)} | {slope:.2f} | {queries} |")
    rests = ", ".join(f"{c['step page']['tallies']:,} at {c['step page']['jobs']:,} jobs" for c in columns)
    return "\n".join([*lines, "", f"Tallies of the procedure: {rests}."])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sizes", nargs="*", type=int, default=SIZES, help="Numbers of closed jobs.")
    parser.add_argument("--postgresql", action="store_true", help="On PostgreSQL.")
    parser.add_argument("--keep", type=Path, help="Folder in which the databases stay.")
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    said = parser.parse_args()
    if said.one:
        print(json.dumps(measured()))
        return
    database, sizes = "postgresql" if said.postgresql else "sqlite", tuple(said.sizes)
    with tempfile.TemporaryDirectory(prefix="shopkb-bench-") as spare:
        kept = said.keep or Path(spare)
        columns = [one(jobs, kept / f"{database}-{jobs}", database) for jobs in sizes]
    print(table(database, sizes, columns))


if __name__ == "__main__":
    main()
