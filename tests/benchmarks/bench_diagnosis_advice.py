"""What advice costs: two steps ahead on made-up jobs. Run ``python -m tests.benchmarks.bench_diagnosis_advice``."""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from shopkb.core.diagnosis.advice.next_action import advise
from shopkb.core.diagnosis.belief.cause_model import CauseModel, RepairAction
from tests.benchmarks.bench_diagnosis import made
from tests.benchmarks.rows import Row, side_by_side, table

SIZES = ((6, 6), (12, 12), (20, 30), (60, 100))
ADVICE_MS = 60.0


def rows() -> Iterator[Row]:
    """Two actions ahead beside one."""
    for causes, tests in SIZES:
        model = furnished(causes, tests)
        one, two = side_by_side(*(lambda model=model, depth=depth: advise(model, depth=depth) for depth in (1, 2)))
        size = f"{causes} causes, {tests} tests"
        yield Row("advice at the start of a job", size, "ms", two / 1e3, "one action ahead", one / 1e3)
        if (causes, tests) == SIZES[-1]:
            yield Row("advice at the start of a job", size, "ms", two / 1e3, f"{ADVICE_MS:g} ms", ADVICE_MS, 1)


def furnished(causes: int, tests: int) -> CauseModel:
    """A made-up model with repairs and with set-up states that cost something."""
    rng = np.random.default_rng(causes)
    plain = made(rng, causes, tests)
    states = ["", "lifted", "bumper-off", "dash-out"]
    return replace(
        plain,
        tests=tuple(replace(test, access=states[int(rng.integers(4))]) for test in plain.tests),
        repairs=tuple(
            RepairAction((i,), f"fit {i}", *rng.uniform(5, 120, 2), states[int(rng.integers(4))])
            for i in range(causes - 1)
        ),
        access_minutes={"lifted": 8.0, "bumper-off": 15.0, "dash-out": 60.0},
    )


if __name__ == "__main__":
    print(table(rows()))
