"""Do the suggestions ever cost more than the written order? Over the whole shelf, from a fresh shop to an old one.

Long form: ``python -m tests.simulation no-harm`` (hours). Jobs and truths are those of :mod:`.savings`.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Final

import numpy as np

from tests.shelf import SHELF
from tests.simulation.savings import both
from tests.simulation.tables import keep

TAUGHT: Final = (0, 30, 100, 300, 1000, 3000)
TRUTHS: Final = 8

Shares = dict[tuple[str, int], list[float]]
"""By procedure and closed jobs: for each truth, the share of the written minutes that the suggestions save."""


def saved(procedure: str, taught: int, truth: int) -> float:
    found = both(SHELF[procedure], [20, truth], taught=taught)
    return (found.written - found.suggested) / found.written


def told(found: Shares) -> str:
    """As Markdown."""
    counts = sorted({taught for _, taught in found})
    lines = [
        "Minutes to the cure that the suggestions save, as a share of the written order's: mean over the truths, the "
        "worst truth in brackets.", "",
        f"| procedure | truths | {' | '.join(f'{taught:,} jobs' for taught in counts)} |",
        f"| --- | ---: |{' ---: |' * len(counts)}",
    ]  # fmt: skip
    for key in dict.fromkeys(key for key, _ in found):
        rows = [found.get((key, taught), []) for taught in counts]
        cells = " | ".join(f"{np.mean(row):+.1%} ({min(row):+.1%})" if row else "" for row in rows)
        lines.append(f"| {key} | {max(map(len, rows))} | {cells} |")
    every = [[share for (_, taught), row in found.items() if taught == count for share in row] for count in counts]
    lines.append(f"| all | | {' | '.join(f'{np.mean(row):+.1%}' for row in every)} |")
    worse = (f"{sum(share < -0.01 for share in row)} of {len(row)}" for row in every)
    lines.append(f"| truths more than 1 % worse | | {' | '.join(worse)} |")
    return "\n".join(lines)


def main(procedures: Sequence[str] = tuple(SHELF), taught: Sequence[int] = TAUGHT, minutes: float = 600.0) -> None:
    found: Shares = {}
    until = time.monotonic() + 60 * minutes
    for truth in range(TRUTHS):
        for count in taught:
            for key in procedures:
                if time.monotonic() < until:
                    found.setdefault((key, count), []).append(saved(key, count, truth))
        keep("no-harm", told(found))
    print(told(found))
