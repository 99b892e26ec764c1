"""Demo worlds of a given number of closed jobs, and pages asked for in them: what the page benchmarks share.

A world is made in a throwaway database through the bulk door for past jobs, which takes the better part of an hour for
100,000, and measured in a process of its own. Told is processor time, of this process and of PostgreSQL's together, so
that another load on the computer says little; the least of three where it can be asked again. Situations:

``cold``      nothing is remembered: as if asked the moment the server started
``started``   the first time after the server has worked out ahead what it remembers, as it does by itself
``closing``   a job has been closed since the page was last looked at
``again``     nothing has changed

``slope`` is that of the logarithm of ``closing`` over the logarithm of the jobs: 0 is flat, 1 in proportion.
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
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent.parent
SIZES = (1_000, 10_000, 100_000)
TIMES = 3
SITUATIONS = ("cold", "started", "closing", "again")
Figures = dict[str, dict[str, float]]


def prepared() -> Any:
    """A client of the keeper's, in a process whose settings lead to the world."""
    import django

    django.setup()
    from django.conf import settings
    from django.test import Client

    from shopkb.accounts.models import User

    settings.ALLOWED_HOSTS = ["testserver"]
    keeper = User.objects.filter(role="keeper").earliest("pk")
    client = Client()
    client.force_login(keeper)
    return client


def measured(client: Any, addresses: Mapping[str, str], close_one: Callable[[], None]) -> Figures:
    """Milliseconds of each page by situation, and the queries of the last two."""
    from shopkb.evidence.models import Tally
    from shopkb.jobs.models import Job
    from shopkb.reports.ahead import work_out

    _asked(client, "/figures/honesty/")  # what is imported late is not the page's
    found: Figures = {name: {} for name in addresses}
    for name, address in addresses.items():
        found[name]["cold"] = _asked(client, address, _forget)
    _forget()
    for _ in work_out():
        pass
    for name, address in addresses.items():
        found[name]["started"] = _asked(client, address)
    for name, address in addresses.items():
        for how, make_so in (("closing", close_one), ("again", lambda: None)):
            found[name][how] = min(_asked(client, address, make_so) for _ in range(TIMES))
        found[name]["queries"] = _queries(client, address)
    found["rests on"] = {"tallies": Tally.objects.count(), "jobs": Job.objects.closed().count()}
    return found


def close_again(procedure: str = "") -> Callable[[], None]:
    """Reopens the job that was closed last (of this procedure) and closes it once more."""
    from django.utils import timezone

    from shopkb.accounts.models import User
    from shopkb.jobs import closing
    from shopkb.jobs.models import Job

    keeper = User.objects.filter(role="keeper").earliest("pk")
    cured = Job.objects.closed().filter(disposition=Job.Disposition.CURED, comebacks__isnull=True)
    if procedure:
        cured = cured.filter(runs__revision__procedure__key=procedure)

    def close() -> None:
        job = closing.reopen_job(cured.latest("closed_at"), by=keeper)
        closing.close_job(job, Job.Disposition.CURED, by=keeper, at=timezone.now())

    return close


def _forget() -> None:
    from django.core.cache import cache

    from shopkb.evidence import insight
    from shopkb.reports import memory

    insight.forget()
    memory.forget()
    cache.clear()


def _clock() -> float:
    """Seconds of processor time so far; those of PostgreSQL's process for this connection as Linux tells them."""
    from django.db import connection

    if connection.vendor != "postgresql":
        return time.process_time()
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        backend = cursor.fetchone()[0]
    return time.process_time() + int(Path(f"/proc/{backend}/schedstat").read_text().split()[0]) / 1e9


def _asked(client: Any, address: str, make_so: Callable[[], None] = lambda: None) -> float:
    make_so()
    begun = _clock()
    response = client.get(address)
    taken = (_clock() - begun) * 1000
    if response.status_code != 200:
        raise SystemExit(f"{address} answered {response.status_code}.")
    return taken


def _queries(client: Any, address: str) -> int:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    with CaptureQueriesContext(connection) as queries:
        client.get(address)
    return len(queries)


def _made(jobs: int, folder: Path, database: str) -> dict[str, str]:
    """A world of about so many closed jobs, made unless it is there; the environment that leads to it."""
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


def _one(module: str, jobs: int, folder: Path, database: str) -> Figures:
    """Make (or find) a world and measure it in a process of its own."""
    try:
        command = [sys.executable, "-m", module, "--one"]
        done = subprocess.run(
            command, env=_made(jobs, folder, database), cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True
        )
        return dict(json.loads(done.stdout))
    finally:
        if database == "postgresql":
            subprocess.run(["bash", str(ROOT / ".ci" / "postgres"), "stop", str(folder / "server")], check=False)


def table(database: str, sizes: tuple[int, ...], columns: list[Figures]) -> str:
    """As Markdown."""
    heads = [f"{how}, {jobs:,}" for how in SITUATIONS for jobs in sizes]
    lines = [f"| {database}, ms | {' | '.join(heads)} | slope | queries |", f"| --- |{' ---: |' * (len(heads) + 2)}"]
    for name in columns[0]:
        if name == "rests on":
            continue
        row = [column[name][how] for how in SITUATIONS for column in columns]
        ends = columns[0][name]["closing"], columns[-1][name]["closing"]
        slope = math.log(ends[1] / ends[0]) / math.log(sizes[-1] / sizes[0]) if len(sizes) > 1 else 0.0
        queries = " / ".join(str(int(column[name]["queries"])) for column in columns)
        lines.append(f"| {name} | {' | '.join(f'{figure:.0f}' for figure in row)} | {slope:.2f} | {queries} |")
    rests = ", ".join(f"{c['rests on']['tallies']:,} at {c['rests on']['jobs']:,} jobs" for c in columns)
    return "\n".join([*lines, "", f"Tallies: {rests}."])


def run(module: str, about: str, measure: Callable[[], Figures]) -> None:
    """The command line of a benchmark of pages."""
    parser = argparse.ArgumentParser(description=about, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sizes", nargs="*", type=int, default=SIZES, help="Numbers of closed jobs.")
    parser.add_argument("--sqlite", action="store_true", help="SQLite only.")
    parser.add_argument("--postgresql", action="store_true", help="PostgreSQL only.")
    parser.add_argument("--keep", type=Path, help="Folder in which the SQLite databases stay, and are found again.")
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    said = parser.parse_args()
    if said.one:
        print(json.dumps(measure()))
        return
    sizes = tuple(said.sizes)
    for database in [name for name in ("sqlite", "postgresql") if getattr(said, name)] or ["sqlite", "postgresql"]:
        with tempfile.TemporaryDirectory(prefix="shopkb-bench-") as spare:
            kept = said.keep if said.keep and database == "sqlite" else Path(spare)
            columns = [_one(module, jobs, kept / f"{database}-{jobs}", database) for jobs in sizes]
        print(table(database, sizes, columns), flush=True)
