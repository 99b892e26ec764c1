"""What advice costs: two steps ahead on made-up jobs. Run ``python -m tests.benchmarks.bench_diagnosis_advice``."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from shopkb.core.diagnosis.advice.next_action import advise
from shopkb.core.diagnosis.belief.cause_model import RepairAction
from tests.benchmarks.bench_diagnosis import made
from tests.benchmarks.rows import Row, median, table

SIZES = ((6, 6), (12, 12), (20, 30), (60, 100))


def rows() -> Iterator[Row]:
    """Two actions ahead beside one."""
    for causes, tests in SIZES:
        rng = np.random.default_rng(causes)
        plain = made(rng, causes, tests)
        states = ["", "lifted", "bumper-off", "dash-out"]
        model = replace(
            plain,
            tests=tuple(replace(test, access=states[int(rng.integers(4))]) for test in plain.tests),
            repairs=tuple(
                RepairAction((i,), f"fit {i}", *rng.uniform(5, 120, 2), states[int(rng.integers(4))])
                for i in range(causes - 1)
            ),
            access_minutes={"lifted": 8.0, "bumper-off": 15.0, "dash-out": 60.0},
        )
        one, two = (median(lambda model=model, ahead=ahead: advise(model, ahead=ahead)) / 1e3 for ahead in (1, 2))
        yield Row("advice at the start of a job", f"{causes} causes, {tests} tests", "ms", two, "one action ahead", one)


if __name__ == "__main__":
    print(table(rows()))
