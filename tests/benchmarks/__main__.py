"""All that can be measured beside what a user could pick instead, as one table: ``python -m tests.benchmarks``.

The table is printed and kept, dated, in ``tests/benchmarks/table.md``. Pages (``bench_pages``) and charts
(``bench_charts``) are measured by their own commands: their databases take long to make.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

from tests.benchmarks import (
    bench_diagnosis,  # first: it sets the number of threads before numpy is loaded
    bench_diagnosis_advice,
    bench_diagnosis_pooling,
    bench_evidence,
    bench_plans,
)
from tests.benchmarks.rows import table

KEPT = Path(__file__).with_name("table.md")


def main() -> None:
    parts = (bench_diagnosis, bench_diagnosis_advice, bench_diagnosis_pooling, bench_plans, bench_evidence)
    told = table(row for part in parts for row in part.rows())
    print(told)
    KEPT.write_text(heading() + told + "\n", encoding="utf-8")


def heading() -> str:
    """When it was measured, and how busy the computer was: ratios hold, times for one machine alone."""
    busy = f"{os.getloadavg()[0]:.0f} processes at work on {os.cpu_count()} cores"
    return (
        "<!-- written by: python -m tests.benchmarks -->\n\n"
        f"Measured {datetime.now(tz=UTC).date().isoformat()}, {busy}.\n\n"
    )


if __name__ == "__main__":
    main()
