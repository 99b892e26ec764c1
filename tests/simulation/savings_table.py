"""What the simulation of minutes saved found, by procedure, as a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Both:
    """Expected minutes under one hidden truth; ``known`` is nan where it was not asked for."""

    written: float
    suggested: float
    known: float
    floor: float


@dataclass(frozen=True, slots=True)
class Saving:
    """Means over the hidden truths, and the standard error of the difference. ``best`` is what following the
    suggestions costs with the truth known over the written order, in the truths where both were followed."""

    procedure: str
    truths: int
    written: float
    suggested: float
    error: float
    best: float
    floor: float

    @classmethod
    def of(cls, procedure: str, found: Sequence[Both]) -> Saving:
        rows = np.array([(one.written, one.suggested, one.known, one.floor) for one in found])
        asked = rows[~np.isnan(rows[:, 2])]
        error = (rows[:, 0] - rows[:, 1]).std(ddof=1) / len(rows) ** 0.5 if len(rows) > 1 else float("nan")
        best = asked[:, 2].mean() / asked[:, 0].mean() if len(asked) else float("nan")
        written, suggested, floor = rows[:, [0, 1, 3]].mean(axis=0)
        return cls(procedure, len(rows), *(float(figure) for figure in (written, suggested, error, best, floor)))

    @property
    def share(self) -> float:
        """Part of the written order's minutes that is saved."""
        return 1 - self.suggested / self.written

    @property
    def line(self) -> str:
        return (
            f"| {self.procedure} | {self.truths} | {self.written:.1f} | {self.suggested:.1f} | "
            f"{self.written - self.suggested:+.1f} ± {1.96 * self.error:.1f} | {self.share:+.1%} | "
            f"{_share(self.best)} | {self.floor / self.written:.3f} |"
        )


@dataclass(frozen=True, slots=True)
class Setting:
    """How many closed jobs have taught, and whether parts are fitted only once proven."""

    taught: int
    prove_first: bool

    @property
    def words(self) -> str:
        rule = "parts are fitted only once proven (the default)" if self.prove_first else "parts may be tried"
        return f"taught by {self.taught:,} closed jobs; {rule}"


Found = dict[Setting, dict[str, list[Both]]]


def _share(figure: float) -> str:
    return "" if np.isnan(figure) else f"{figure:.3f}"


def told(found: Found) -> str:
    """The tables as Markdown."""
    lines = ["± is a 95 % interval over the hidden truths."]
    for setting, rows_of in found.items():
        if not any(rows_of.values()):
            continue
        lines += [
            "", f"Minutes to the cure, parts included; {setting.words}.", "",
            "| procedure | truths | as written | as suggested | saved | share | truth known / written "
            "| floor / written |",
            "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
            *(Saving.of(name, rows).line for name, rows in rows_of.items() if rows),
        ]  # fmt: skip
    return "\n".join(lines)
