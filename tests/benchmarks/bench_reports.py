"""What the pages of figures cost as closed jobs grow: ``python -m tests.benchmarks.bench_reports``.

Situations and clock as :mod:`tests.benchmarks.worlds` has them. Goal: under 300 ms at 100,000 closed jobs.

    python -m tests.benchmarks.bench_reports                      1,000, 10,000 and 100,000 jobs on both databases
    python -m tests.benchmarks.bench_reports --sqlite 1000 10000  other sizes, SQLite only
    --keep FOLDER                                                 keeps the SQLite databases, and uses those it finds
"""

from __future__ import annotations

from tests.benchmarks import worlds
from tests.benchmarks.worlds import Figures


def measured() -> Figures:
    """Milliseconds of each page by situation, in a process whose settings lead to the database to measure."""
    client = worlds.prepared()
    from django.utils import timezone

    from shopkb.reports.registry import PAGES

    addresses = {name: f"/figures/{name}/" for name in PAGES}
    addresses["month"] = f"/figures/month/{timezone.localdate():%Y-%m}/"
    return worlds.measured(client, addresses, worlds.close_again())


if __name__ == "__main__":
    worlds.run("tests.benchmarks.bench_reports", __doc__ or "", measured)
