"""All that can be measured beside what a user could pick instead, as one table: ``python -m tests.benchmarks``.

The pages of figures (``bench_reports``), the pages at the vehicle (``bench_pages``) and charts (``bench_charts``) are
measured by their own commands: their databases take long to make.
"""

from __future__ import annotations

from tests.benchmarks import (
    bench_diagnosis,  # first: it sets the number of threads before numpy is loaded
    bench_diagnosis_advice,
    bench_diagnosis_pooling,
    bench_evidence,
    bench_plans,
)
from tests.benchmarks.rows import table


def main() -> None:
    parts = (bench_diagnosis, bench_diagnosis_advice, bench_diagnosis_pooling, bench_plans, bench_evidence)
    print(table(row for part in parts for row in part.rows()))


if __name__ == "__main__":
    main()
