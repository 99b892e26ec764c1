"""What it costs to let a closed job teach: ``python -m tests.benchmarks.bench_evidence``.

A throwaway SQLite database on disk, 30 branches a job, beside the bare driver that adds the same sums with one
statement in one transaction; then the reading of a procedure's tallies beside the same GROUP BY without the ORM.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from dataclasses import replace

from tests.benchmarks.rows import Row, median, side_by_side, table

STEPS, PLATFORMS, MONTHS = 30, 12, 24


def rows() -> Iterator[Row]:
    """In a folder of its own; must come before anything else sets Django up."""
    with tempfile.TemporaryDirectory(prefix="shopkb-bench-") as folder:
        os.environ |= {"SHOPKB_DATA_DIR": folder, "DJANGO_SETTINGS_MODULE": "shopkb.settings"}
        os.environ.pop("DATABASE_URL", None)
        import django
        from django.core.management import call_command

        django.setup()
        call_command("migrate", verbosity=0)
        yield from _measured()


def _measured() -> Iterator[Row]:
    from django.db import connection, transaction

    from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
    from shopkb.core.diagnosis.counting.tallies import contributions
    from shopkb.evidence import learning
    from shopkb.evidence.learned_procedure import full_tallies
    from shopkb.evidence.models import Tally

    results = tuple(CaseResult("horn-silent", f"step-{n}", "yes", seconds=60 + n) for n in range(STEPS))
    job = ClosedCase(1, "curlew", "2026-03", "horn#open", "measured", "horn#open", results=results)
    others = [
        replace(job, platform=f"curlew/p{place}", month=f"{2024 + month // 12}-{month % 12 + 1:02d}")
        for place in range(PLATFORMS) for month in range(MONTHS)
    ]  # fmt: skip
    learning.rebuild([job, *others])
    keys, sums = ", ".join(learning.KEY_FIELDS), learning.SUM_FIELDS
    upsert = (
        f"INSERT INTO {Tally._meta.db_table} ({keys}, {', '.join(sums)}) "
        f"VALUES ({', '.join(['%s'] * (len(learning.KEY_FIELDS) + len(sums)))}) "
        f"ON CONFLICT ({keys}) DO UPDATE SET {', '.join(f'{name} = {name} + excluded.{name}' for name in sums)}"
    )
    said = [
        [*(getattr(key, name) for name in learning.KEY_FIELDS), *(getattr(part, name) for name in sums)]
        for key, part in contributions(job).items()
    ]

    def bare() -> None:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.executemany(upsert, said)

    def read() -> None:
        with connection.cursor() as cursor:
            totals = ", ".join(f"SUM({name})" for name in sums)
            cursor.execute(
                f"SELECT {keys}, {totals} FROM {Tally._meta.db_table} WHERE procedure = %s GROUP BY {keys}",
                ["horn-silent"],
            )
            cursor.fetchall()

    ours, theirs = (taken / 1e3 for taken in side_by_side(lambda: learning.learn(None, job), bare, seconds=4.0))
    yield Row("a closed job teaches", f"{STEPS} branches", "ms", ours, "one upsert, bare driver", theirs, 1 / 2)
    size = f"{Tally.objects.count():,} tallies"
    ours, theirs = median(lambda: full_tallies("horn-silent"), 2.0) / 1e3, median(read, 2.0) / 1e3
    yield Row("tallies of a procedure read", size, "ms", ours, "the same GROUP BY, bare driver", theirs)


if __name__ == "__main__":
    print(table(rows()))
