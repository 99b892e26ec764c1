"""The step page and the page of a procedure with 1,000 and with 1,000,000 closed jobs: ``python -m
tests.benchmarks.bench_million``.

The demo's jobs are copied in SQLite, row by row, to as many as asked, over eight years, and the tallies with them: the
sums that counting all of them would give. From a hundred copies on, every tally of the demo stands in each of 96
months, so there are no more tallies with a million jobs than with a hundred thousand. The logs of jobs are not copied;
neither page reads those of closed ones. Told is processor time, the least of seven for ``closing`` and ``again``; what
the words mean stands in :mod:`tests.benchmarks.worlds`.

    python -m tests.benchmarks.bench_million --keep FOLDER      keeps the databases, and uses those it finds
    python -m tests.benchmarks.bench_million --times 100        100,000 jobs in place of a million
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from tests.benchmarks import worlds

SMALL = 1_000
MONTHS = 96
KEPT = Path(__file__).with_name("million.md")
ROUNDS = 7

COPIED: Mapping[str, Mapping[str, str]] = {
    "jobs_job": {"comeback_of_id": "jobs_job"},
    "jobs_run": {"job_id": "jobs_job", "came_from_id": "jobs_run"},
    "jobs_result": {"run_id": "jobs_run", "replaces_id": "jobs_result"},
    "jobs_repair": {"job_id": "jobs_job", "result_id": "jobs_result"},
    "jobs_verification": {"repair_id": "jobs_repair"},
}
"""Tables whose rows belong to a job, and which of their columns point to such a row."""

CLOSED: Mapping[str, str] = {
    "jobs_job": "closed_at IS NOT NULL",
    "jobs_run": "job_id IN (SELECT id FROM jobs_job WHERE closed_at IS NOT NULL)",
    "jobs_result": "run_id IN (SELECT id FROM jobs_run WHERE {jobs_run})",
    "jobs_repair": "job_id IN (SELECT id FROM jobs_job WHERE closed_at IS NOT NULL)",
    "jobs_verification": "repair_id IN (SELECT id FROM jobs_repair WHERE {jobs_repair})",
}
SUMS = ("count", "timed", "seconds", "seconds_squared", "came_back", "rejected", "together", "cured_first")


def multiply(database: Path, times: int) -> int:
    """Make every closed job of a database so many, the copies in the months before; the number of closed jobs then."""
    with closing(sqlite3.connect(database)) as base:
        base.execute("PRAGMA journal_mode = OFF")
        base.execute("PRAGMA synchronous = OFF")
        base.execute("PRAGMA foreign_keys = OFF")
        base.execute("PRAGMA cache_size = -1500000")
        base.execute("CREATE TEMP TABLE copy AS WITH RECURSIVE n(k) AS (SELECT 1 UNION ALL SELECT k + 1 FROM n "
                     f"WHERE k < {int(times) - 1}) SELECT k FROM n")  # fmt: skip
        step = {name: base.execute(f"SELECT MAX(id) FROM {name}").fetchone()[0] + 1 for name in COPIED}
        for name, points in COPIED.items():
            base.execute(_copies(base, name, points, step))
            print(f"{name}: copied", file=sys.stderr, flush=True)
        _copy_tallies(base)
        base.commit()
        base.execute("ANALYZE")
        base.commit()
        return int(base.execute("SELECT COUNT(*) FROM jobs_job WHERE closed_at IS NOT NULL").fetchone()[0])


def _copies(base: sqlite3.Connection, name: str, points: Mapping[str, str], step: Mapping[str, int]) -> str:
    columns = [row[1] for row in base.execute(f"PRAGMA table_info({name})")]
    values = {column: f't."{column}"' for column in columns}
    values["id"] = f"t.id + copy.k * {step[name]}"
    values |= {column: f't."{column}" + copy.k * {step[there]}' for column, there in points.items()}
    values["client_id"] = "printf('%016x%016x', copy.k, t.id)"
    if name == "jobs_job":
        months = f"'-' || (copy.k % {MONTHS}) || ' months'"
        values |= {column: f"datetime(t.{column}, {months})" for column in ("opened_at", "closed_at")}
    where = CLOSED[name].format(**CLOSED)
    return (
        f"INSERT INTO {name} ({', '.join(map(_quoted, columns))}) SELECT {', '.join(values.values())} "
        f"FROM copy CROSS JOIN {name} t WHERE {where}"
    )


def _copy_tallies(base: sqlite3.Connection) -> None:
    """Months are shifted as those of the jobs are; what falls together is summed."""
    keys = ["procedure", "step", "outcome", "cause", "proof", "platform", "position"]
    copies = "SELECT 0 AS k UNION ALL SELECT k FROM copy"
    rest = f"(SELECT k % {MONTHS} AS back, COUNT(*) AS times FROM ({copies}) GROUP BY 1)"
    month = "strftime('%Y-%m', t.month || '-01', '-' || r.back || ' months')"
    sums = ", ".join(f'SUM(t."{name}" * r.times) AS "{name}"' for name in SUMS)
    names = ", ".join(f'"{key}"' for key in keys)
    of_tally = ", ".join(f"t.{_quoted(key)}" for key in keys)
    base.execute(
        f"CREATE TEMP TABLE counted AS SELECT {of_tally}, {month} AS month, {sums} "
        f"FROM evidence_tally t CROSS JOIN {rest} r GROUP BY {', '.join(str(n) for n in range(1, len(keys) + 2))}"
    )
    base.execute("DELETE FROM evidence_tally")
    summed = ", ".join(map(_quoted, SUMS))
    base.execute(f"INSERT INTO evidence_tally ({names}, month, {summed}) SELECT {names}, month, {summed} FROM counted")


def _quoted(name: str) -> str:
    return f'"{name}"'


def measured() -> dict[str, dict[str, float]]:
    """Milliseconds of both pages by situation, in a process whose settings lead to the database."""
    client = worlds.prepared()
    from django.urls import reverse

    from shopkb.evidence.models import Tally
    from shopkb.jobs.models import Job, Run
    from tests.benchmarks.bench_pages import _step_of

    run = next(run for run in Run.objects.filter(job__closed_at__isnull=True).order_by("pk") if _step_of(run))
    procedure = run.revision.procedure.key
    close = worlds.close_again(procedure)
    pages = {
        "step page": reverse("jobs:step", args=[run.pk, _step_of(run)]),
        "procedure page": reverse("procedures:procedure", args=[procedure]),
    }
    found: dict[str, dict[str, float]] = {}
    for name, address in pages.items():
        worlds._asked(client, address)
        told = {"cold": worlds._asked(client, address, worlds._forget)[0]}
        told["closing"] = min(worlds._asked(client, address, close)[0] for _ in range(ROUNDS))
        told["again"] = min(worlds._asked(client, address)[0] for _ in range(ROUNDS))
        found[name] = {**told, "queries": worlds._queries(client, address)}
    return {**found, "rests on": {"jobs": Job.objects.closed().count(), "tallies": Tally.objects.count()}}


def _of(place: Mapping[str, str]) -> dict[str, dict[str, float]]:
    command = [sys.executable, "-m", "tests.benchmarks.bench_million", "--one"]
    done = subprocess.run(command, env=dict(place), cwd=worlds.ROOT, check=True, stdout=subprocess.PIPE, text=True)
    return dict(json.loads(done.stdout))


def table(small: dict[str, dict[str, float]], large: dict[str, dict[str, float]]) -> str:
    jobs = [f"{one['rests on']['jobs']:,.0f} jobs" for one in (small, large)]
    lines = [
        "<!-- written by: python -m tests.benchmarks.bench_million -->", "",
        f"Measured {datetime.now(tz=UTC).date().isoformat()} on SQLite, {os.getloadavg()[0]:.0f} processes at work on "
        f"{os.cpu_count()} cores; milliseconds of processor time.", "",
        f"| page | situation | {' | '.join(jobs)} | times |",
        "| --- | --- | ---: | ---: | ---: |",
        *_lines(small, large), "",
        "Tallies: {} and {}.".format(*(f"{one['rests on']['tallies']:,.0f}" for one in (small, large))),
    ]  # fmt: skip
    return "\n".join(lines)


def _lines(small: dict[str, dict[str, float]], large: dict[str, dict[str, float]]) -> Iterator[str]:
    for name in small:
        for how in small[name] if name != "rests on" else ():
            one, other = small[name][how], large[name][how]
            yield f"| {name} | {how} | {one:.0f} | {other:.0f} | {other / one:.2f} |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=1000, help="How many times the jobs of the small world.")
    parser.add_argument("--keep", type=Path, help="Folder in which the databases stay, and are found again.")
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    said = parser.parse_args()
    if said.one:
        print(json.dumps(measured()))
        return
    with tempfile.TemporaryDirectory(prefix="shopkb-bench-") as spare:
        folder = said.keep or Path(spare)
        place = worlds._made(SMALL, folder / f"sqlite-{SMALL}")
        there = folder / f"sqlite-{SMALL}-times-{said.times}"
        if not (there / "whole").exists():
            shutil.rmtree(there, ignore_errors=True)
            shutil.copytree(folder / f"sqlite-{SMALL}", there)
            multiply(there / "demo.sqlite3", said.times)
            (there / "whole").touch()
        told = table(_of(place), _of({**place, "SHOPKB_DATA_DIR": str(there)}))
    print(told)
    KEPT.write_text(told + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
