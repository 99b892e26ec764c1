"""Do the suggestions ever cost more than the written order? Over the whole shelf, from a fresh shop to an old one.

Long form: ``python -m tests.simulation no-harm``, about an hour. Every cell - a procedure, a number of closed jobs, a
truth - is kept beside the table in ``no-harm.csv`` as soon as it is found, so that a run goes on where another ended;
without that file it begins anew. Jobs and truths are those of :mod:`.savings`. The last rows are of made-up chains in
the worst order: what is rare and takes long comes first.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import astuple, dataclass, fields, replace
from typing import Final

import numpy as np

from shopkb.core.flow.model import Flow, Usual
from tests.shelf import SHELF
from tests.simulation.savings import differences
from tests.simulation.tables import FOLDER, keep
from tests.simulation.worlds import tree

TAUGHT: Final = (0, 30, 100, 300, 1000, 3000)
TRUTHS: Final = 8
FAULTS: Final = 24
KEPT: Final = FOLDER / "no-harm.csv"
CHAINS: Final = {f"badly ordered chain of {causes}": causes for causes in (6, 9, 12)}


@dataclass(frozen=True, slots=True)
class Cell:
    """Expected minutes to the cure under one truth, and the standard error of their difference."""

    procedure: str
    taught: int
    truth: int
    written: float
    suggested: float
    error: float

    @property
    def saved(self) -> float:
        """Share of the written minutes."""
        return (self.written - self.suggested) / self.written

    @property
    def surely_worse(self) -> bool:
        """More than 1 % worse, and not by chance in one of forty."""
        return self.saved + 1.96 * self.error / self.written < -0.01


def badly_ordered(causes: int, truth: int) -> Flow:
    """A chain of tests, the rarest causes and the longest tests first."""
    flow = tree(np.random.default_rng([23, truth]), causes, chain=True)
    number = {step.key: place for place, step in enumerate(flow.steps)}
    last = len(flow.steps) - 1
    steps = tuple(replace(step, minutes=2.0 + 3.0 * (last - number[step.key])) for step in flow.steps)
    order = [go.key for step in flow.steps for go in (outcome.go for outcome in step.outcomes) if go.kind == "cause"]
    usual = [Usual.RARE, Usual.OCCASIONAL, Usual.COMMON]
    place = {key: usual[3 * at // len(order)] for at, key in enumerate(order)}
    return replace(flow, steps=steps, causes=tuple(replace(one, usual=place[one.key]) for one in flow.causes))


def cell(procedure: str, taught: int, truth: int, faults: int = FAULTS) -> Cell:
    flow = badly_ordered(CHAINS[procedure], truth) if procedure in CHAINS else SHELF[procedure]
    weights, written, suggested = differences(flow, [20, truth], taught=taught, jobs=faults)
    means = float(weights @ written), float(weights @ suggested)
    apart = written - suggested
    error = float(np.sqrt((weights**2) @ (apart - weights @ apart) ** 2))
    return Cell(procedure, taught, truth, *means, error)


def saved(procedure: str, taught: int, truth: int) -> float:
    return cell(procedure, taught, truth).saved


def cells(taught: Sequence[int] = TAUGHT, truths: int = TRUTHS) -> Iterator[Cell]:
    """Those asked for; those not kept are found now and kept."""
    kept = {(one.procedure, one.taught, one.truth): one for one in _kept()}
    for truth in range(truths):
        for count in taught:
            for procedure in (*SHELF, *CHAINS):
                one = kept.get((procedure, count, truth))
                if one is None:
                    one = cell(procedure, count, truth)
                    _keep(one)
                yield one


def told(found: Iterable[Cell]) -> str:
    """As Markdown."""
    every = list(found)
    counts = sorted({one.taught for one in every})
    truths = [len({one.truth for one in every if one.taught == taught}) for taught in counts]
    heads = [f"{taught:,} jobs, {number} truths" for taught, number in zip(counts, truths, strict=True)]
    lines = [
        "Minutes to the cure that the suggestions save, as a share of the written order's: mean over truths, seeds "
        "[20, 0] on, ± its standard error; the worst truth in brackets. 24 or more faults a truth, each cause among "
        "them, the same both ways.", "",
        f"| procedure | {' | '.join(heads)} |", f"| --- |{' ---: |' * len(counts)}",
    ]  # fmt: skip
    for procedure in dict.fromkeys(one.procedure for one in every):
        rows = [[one for one in every if (one.procedure, one.taught) == (procedure, taught)] for taught in counts]
        lines.append(f"| {procedure} | {' | '.join(_mean(row) for row in rows)} |")
    for words, where in (("the shelf", SHELF), ("badly ordered chains", CHAINS)):
        rows = [[one for one in every if one.procedure in where and one.taught == taught] for taught in counts]
        lines.append(f"| **{words}** | {' | '.join(_mean(row) for row in rows)} |")
        procedures = [
            [_expected(row, key) for key in where if any(one.procedure == key for one in row)] for row in rows
        ]
        lines.append(_counted(f"{words}: procedures more than 1 % worse in the mean of truths",
                              [[share < -0.01 for share in row] for row in procedures]))  # fmt: skip
        lines.append(_counted(f"{words}: truths more than 1 % worse", [[one.saved < -0.01 for one in r] for r in rows]))
        lines.append(_counted(f"{words}: of them by more than chance", [[one.surely_worse for one in r] for r in rows]))
    return "\n".join(lines)


def _expected(row: Sequence[Cell], procedure: str) -> float:
    return float(np.mean([one.saved for one in row if one.procedure == procedure]))


def _counted(words: str, rows: Sequence[Sequence[bool]]) -> str:
    return f"| {words} | {' | '.join(f'{sum(row)} of {len(row)}' for row in rows)} |"


def _mean(row: Sequence[Cell]) -> str:
    if not row:
        return ""
    shares = [one.saved for one in row]
    error = float(np.sqrt(np.sum([(one.error / one.written) ** 2 for one in row]))) / len(row)
    return f"{np.mean(shares):+.1%} ± {error:.1%} ({min(shares):+.1%})"


def _kept() -> list[Cell]:
    if not KEPT.exists():
        return []
    with KEPT.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return [
        Cell(row["procedure"], int(row["taught"]), int(row["truth"]), *(float(row[name]) for name in _FIGURES))
        for row in rows
    ]


_FIGURES: Final = ("written", "suggested", "error")


def _keep(one: Cell) -> None:
    fresh = not KEPT.exists()
    with KEPT.open("a", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        if fresh:
            writer.writerow([field.name for field in fields(Cell)])
        writer.writerow([round(part, 3) if isinstance(part, float) else part for part in astuple(one)])


def main(taught: Sequence[int] = TAUGHT, truths: int = TRUTHS) -> None:
    found: list[Cell] = []
    for one in cells(taught, truths):
        found.append(one)
        print(f"{one.procedure}, {one.taught:,} jobs, truth {one.truth}: {one.saved:+.1%}", flush=True)
    keep("no-harm", told(found))
    print(told(found))
