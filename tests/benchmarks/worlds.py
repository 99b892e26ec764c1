"""Demo worlds of a given number of closed jobs, and pages asked for in them: what the page benchmarks share.

A world is made in SQLite through the bulk door for past jobs, a quarter of an hour for 100,000 on a computer at rest,
and copied into a throwaway PostgreSQL, so that both hold the same jobs; each is measured in a process of its
own. Told is processor time, of this process and of PostgreSQL's together, so that another load on the computer says
little; the least of three where it can be asked again. Situations:

``cold``      nothing is remembered: as if asked the moment the server started
``started``   the first time after the server has worked out ahead what it remembers, as it does by itself
``closing``   a job has been closed since the page was last looked at
``again``     nothing has changed
``wall``      the same by the clock on the wall, with whatever else the computer had to do

``slope`` is that of the logarithm of the time over the logarithm of the jobs, from the smallest world to the largest: 0
is flat, 1 in proportion. It is told of ``closing`` and of ``cold``.
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
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent.parent
SIZES = (1_000, 10_000, 100_000)
DATABASES = ("sqlite", "postgresql")
TIMES = 3
SITUATIONS = ("started", "closing", "again", "wall", "cold")
SLOPES = ("closing", "cold")
KEPT = Path(__file__).with_name("pages.md")
BEGIN, END = "<!-- written by: python -m tests.benchmarks.bench_pages, begin -->", "<!-- end -->"
Figures = dict[str, dict[str, float]]
RESTS_ON = "rests on"


def prepared() -> Any:
    """A client of the keeper's, in a process whose settings lead to the world."""
    import django

    django.setup()
    from django.conf import settings
    from django.test import Client

    from shopkb.accounts.models import User
    from shopkb.reports.cache_warming import collect_garbage_rarely

    collect_garbage_rarely()  # as whoever serves does
    settings.ALLOWED_HOSTS = ["testserver"]
    keeper = User.objects.filter(role="keeper").earliest("pk")
    client = Client()
    client.force_login(keeper)
    return client


def measured(client: Any, pages: Mapping[str, tuple[str, Callable[[], None]]]) -> Figures:
    """Milliseconds of each page by situation, and the queries of ``again``. A page comes with its address and with what
    closes a job that it shows."""
    from shopkb.evidence.models import Tally
    from shopkb.jobs.models import Job
    from shopkb.reports.cache_warming import warm_caches

    _asked(client, "/figures/honesty/")  # what is imported late is not the page's
    found: Figures = {name: {} for name in pages}
    for name, (address, _) in pages.items():
        found[name]["cold"] = _asked(client, address, _forget)[0]
    _forget()
    begun = _clock()
    for _ in warm_caches():
        pass
    ahead = (_clock() - begun) * 1000
    for name, (address, _) in pages.items():
        found[name]["started"] = _asked(client, address)[0]
    for name, (address, close_one) in pages.items():
        found[name]["closing"] = min(_asked(client, address, close_one)[0] for _ in range(TIMES))
        again = [_asked(client, address) for _ in range(TIMES)]
        found[name] |= {"again": min(cost for cost, _ in again), "wall": min(wall for _, wall in again)}
        found[name]["queries"] = _queries(client, address)
    found[RESTS_ON] = {"tallies": Tally.objects.count(), "jobs": Job.objects.closed().count(), "ahead": ahead}
    return found


def close_again(procedure: str = "") -> Callable[[], None]:
    """Reopens the job that was closed last (of this procedure) and closes it once more."""
    from django.utils import timezone

    from shopkb.accounts.models import User
    from shopkb.jobs.actions import closing
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

    from shopkb.evidence.cache import clear_all

    clear_all()
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


def _asked(client: Any, address: str, make_so: Callable[[], None] = lambda: None) -> tuple[float, float]:
    """Processor time and time on the wall, in milliseconds."""
    make_so()
    begun, wall = _clock(), time.perf_counter()
    response = client.get(address)
    taken = ((_clock() - begun) * 1000, (time.perf_counter() - wall) * 1000)
    if response.status_code != 200:
        raise SystemExit(f"{address} answered {response.status_code}.")
    return taken


def _queries(client: Any, address: str) -> int:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    with CaptureQueriesContext(connection) as queries:
        client.get(address)
    return len(queries)


def _made(jobs: int, folder: Path) -> dict[str, str]:
    """A world of about so many closed jobs in SQLite, made unless it is there; the environment that leads to it."""
    folder.mkdir(parents=True, exist_ok=True)
    settings = {"SHOPKB_DATA_DIR": str(folder), "SHOPKB_WORLD": "demo", "DJANGO_SETTINGS_MODULE": "shopkb.settings"}
    place = {**os.environ, **settings}
    place.pop("DATABASE_URL", None)
    _manage(place, "demo", "--no-serve", "--jobs", str(jobs))
    return place


def _manage(place: Mapping[str, str], *command: str) -> None:
    done = [sys.executable, str(ROOT / "manage.py"), *command]
    subprocess.run(done, env=place, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)


@contextmanager
def _on(database: str, place: Mapping[str, str], folder: Path) -> Iterator[Mapping[str, str]]:
    """The environment that leads to this world in this kind of database."""
    if database == "sqlite":
        yield place
        return
    server = ["bash", str(ROOT / ".ci" / "postgres")]
    notes = str(folder / "server")
    try:
        said = subprocess.run([*server, "start", notes], check=True, capture_output=True, text=True).stdout
        copied = [sys.executable, "-m", "tests.benchmarks.copying", said.split()[-1]]
        subprocess.run(copied, env=place, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
        yield {**place, "DATABASE_URL": said.split()[-1]}
    finally:
        subprocess.run([*server, "stop", notes], check=False)


def _one(module: str, place: Mapping[str, str]) -> Figures:
    """Measure a world in a process of its own."""
    command = [sys.executable, "-m", module, "--one"]
    done = subprocess.run(command, env=place, cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True)
    return dict(json.loads(done.stdout))


def table(database: str, sizes: Sequence[int], columns: Sequence[Figures]) -> str:
    """As Markdown. ``wall`` of the largest world only."""
    told = [
        (how, place) for how in SITUATIONS for place in range(len(sizes)) if how != "wall" or place == len(sizes) - 1
    ]
    heads = [f"{how}, {sizes[place]:,}" for how, place in told]
    heads += [f"slope of {how}" for how in SLOPES] + ["queries"]
    lines = [f"| {database}, ms | {' | '.join(heads)} |", f"| --- |{' ---: |' * len(heads)}"]
    for name in columns[0]:
        if name != RESTS_ON:
            row = [f"{columns[place][name][how]:.0f}" for how, place in told]
            row += [f"{_slope(name, how, sizes, columns):.2f}" for how in SLOPES]
            row.append(" / ".join(str(int(column[name]["queries"])) for column in columns))
            lines.append(f"| {name} | {' | '.join(row)} |")
    rests = "; ".join(
        f"{c[RESTS_ON]['jobs']:,.0f} jobs: {c[RESTS_ON]['tallies']:,.0f} tallies, working out ahead took "
        f"{c[RESTS_ON]['ahead'] / 1000:.1f} s"
        for c in columns
    )
    return "\n".join([*lines, "", f"{rests}."])


def _slope(name: str, how: str, sizes: Sequence[int], columns: Sequence[Figures]) -> float:
    if len(sizes) < 2:
        return 0.0
    return math.log(columns[-1][name][how] / columns[0][name][how]) / math.log(sizes[-1] / sizes[0])


def keep(told: str) -> None:
    """Write the tables between the marks of the paper, dated, with how busy the computer was."""
    busy = f"{os.getloadavg()[0]:.0f} processes at work on {os.cpu_count()} cores"
    day = datetime.now(tz=UTC).date().isoformat()
    before, _, rest = KEPT.read_text(encoding="utf-8").partition(BEGIN)
    _, _, after = rest.partition(END)
    KEPT.write_text(f"{before}{BEGIN}\n\nMeasured {day}, {busy}.\n\n{told}\n{END}{after}", encoding="utf-8")


def run(module: str, about: str, measure: Callable[[], Figures]) -> None:
    """The command line of the benchmark of pages."""
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
    databases = [name for name in DATABASES if getattr(said, name)] or DATABASES
    with tempfile.TemporaryDirectory(prefix="shopkb-bench-") as spare:
        told = _tables(module, said.sizes, databases, said.keep or Path(spare))
    print(told)
    if tuple(said.sizes) == SIZES and tuple(databases) == DATABASES:
        keep(told)


def _tables(module: str, sizes: Sequence[int], databases: Sequence[str], folder: Path) -> str:
    """Each world made once and measured on every database; progress is told on the other channel."""
    found: dict[str, list[Figures]] = {name: [] for name in databases}
    for jobs in sizes:
        home = folder / f"sqlite-{jobs}"
        print(f"{jobs:,} jobs: making the world, unless it is there.", file=sys.stderr, flush=True)
        place = _made(jobs, home)
        for name in databases:
            with _on(name, place, home) as there:
                print(f"{jobs:,} jobs: measuring on {name}.", file=sys.stderr, flush=True)
                found[name].append(_one(module, there))
    return "\n\n".join(table(name, sizes, columns) for name, columns in found.items())
