"""The advised plan beside simpler rules and the best plan there is: ``python -m tests.benchmarks.bench_plans``.

Expected minutes over those of the best plan, found by the dynamic programme of :mod:`tests.simulation.plans`: 30 small
problems with tests that err and repairs of two price classes. Smaller is better, so the goals are ratios to the best.
"""

from __future__ import annotations

from collections.abc import Iterator

from tests.benchmarks.rows import Row, table
from tests.simulation.plans import ratios

PROBLEMS = 30


def rows() -> Iterator[Row]:
    """Mean cost over that of the best plan."""
    for dear, name in ((1.0, "cheap repairs"), (10.0, "dear repairs")):
        found = ratios(PROBLEMS, 2026, dear=dear)
        size = f"{PROBLEMS} problems, {name}"
        two = float(found["two ahead"].mean())
        yield Row("plan, two actions ahead", size, "of the best", two, "the best plan", 1.0, 1 / 1.01)
        one = float(found["one ahead"].mean())
        yield Row("plan, one action ahead", size, "of the best", one, "the best plan", 1.0, 1 / 1.05)
        yield Row("plan, two actions ahead", size, "of the best", two, "repairs only",
                  float(found["repairs only"].mean()))  # fmt: skip


if __name__ == "__main__":
    print(table(rows()))
