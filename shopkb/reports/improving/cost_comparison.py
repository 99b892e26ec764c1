"""Expected minutes and chance of a right end of a draft and of the published revision, and their difference with its
interval."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from shopkb.core.diagnosis.appraisal.compare_revisions import Difference, MeanInterval, difference, untested
from shopkb.core.diagnosis.appraisal.expected_cost import Appraisal, appraise
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.flow.model import Flow
from shopkb.web.humanize import percent

Learned = tuple[Flow, CauseModel]


@dataclass(frozen=True, slots=True)
class CostRow:
    """One figure: of the published revision, of this one, and the difference; empty where there is none."""

    words: str
    old: str
    new: str
    differs: str = ""


@dataclass(frozen=True, slots=True)
class CostComparison:
    """The rows of the table; ``difference`` is missing without a published revision."""

    rows: tuple[CostRow, ...]
    difference: Difference | None


def compare_costs(new: Learned, old: Learned | None, generator: np.random.Generator) -> CostComparison:
    """Appraise the draft and, if there is one, the published revision with the same draws.

    Raises:
        ValueError: one of the two has no first step, or a loop.
    """
    if old is None:
        return CostComparison(tuple(_rows(None, appraise(*new), 0.0, untested(*new), None)), None)
    found = difference(old, new, generator)
    return CostComparison(tuple(_rows(appraise(*old), appraise(*new), untested(*old), untested(*new), found)), found)


def _rows(
    old: Appraisal | None, new: Appraisal, old_untested: float, new_untested: float, found: Difference | None
) -> Iterator[CostRow]:
    def of_old(text: str) -> str:
        return text if old else ""

    minutes = f"{old.minutes:.1f}" if old else ""
    yield CostRow("Expected minutes to an end", minutes, f"{new.minutes:.1f}", _span(found.minutes if found else None))
    if found is not None:
        yield CostRow("Chance that it takes fewer minutes", percent(1 - found.faster), percent(found.faster))
    right = _span(found.right if found else None, times=100, unit=" points")
    yield CostRow("Finds the right cause", percent(old.right) if old else "", percent(new.right), right)
    if found is not None:
        yield CostRow("Chance that right ends fall by more than 2 points", "", percent(found.right_falls))
    yield CostRow("Ends at a wrong cause", percent(old.wrong) if old else "", percent(new.wrong))
    yield CostRow("Ends without a cause", percent(old.dead_end) if old else "", percent(new.dead_end))
    yield CostRow("Goes on in another procedure", percent(old.handed_over) if old else "", percent(new.handed_over))
    words = "Minutes spent in steps that no verified job has done"
    yield CostRow(words, of_old(percent(old_untested)), percent(new_untested))


def _span(spread: MeanInterval | None, times: float = 1, unit: str = "") -> str:
    """``−3.1, −4.0 to −2.2``: the mean and the 80 % interval."""
    if spread is None:
        return ""
    mean, low, high = (f"{value * times:+.1f}".replace("-", "−") for value in (spread.mean, spread.low, spread.high))
    return f"{mean}, {low} to {high}{unit}"
