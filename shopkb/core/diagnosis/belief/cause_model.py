"""Causes, tests and repairs as arrays: what all reasoning about an open job works on.

A :class:`CauseModel` covers one procedure, or several that a job has followed (:func:`.joined.joined`). Causes are
identities (:attr:`shopkb.core.flow.model.Cause.identity`), then what lies behind hand-overs, the last one always
``other``. One fault is assumed to explain the
complaint, and readings not to depend on each other once the cause is given.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import ClassVar, Final, NamedTuple

import numpy as np

from shopkb.core.diagnosis.belief.recalibration import NO_RECALIBRATION, Recalibration
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.hand_overs import CausesBehind
from shopkb.core.flow.model import Proof

IMPOSSIBLE: Final = -1e4
"""Stands for the logarithm of 0 in likelihoods: finite, so that nothing is ever undefined."""


class Branch(NamedTuple):
    """One outcome of one test: a row of the table. ``names`` is the identity it names as the cause, if it does."""

    procedure: str
    step: str
    outcome: str
    title: str = ""
    label: str = ""
    names: str = ""
    proof: Proof | None = None


@dataclass(frozen=True, slots=True)
class Test:
    """One step as a test: its rows ``start`` to ``stop``, minutes and their variance, set-up state and steps needed.

    ``timed`` jobs stand behind the minutes, the writer's word counting as some.
    """

    __test__: ClassVar[bool] = False  # not a pytest class

    procedure: str
    step: str
    title: str
    start: int
    stop: int
    minutes: float
    variance: float = 0.0
    access: str = ""
    needs: tuple[str, ...] = ()
    timed: float = 2.0


class RepairAction(NamedTuple):
    """One thing to put right and the causes (columns) it puts right. ``price`` is of parts, in the shop's currency."""

    causes: tuple[int, ...]
    correction: str
    minutes: float
    price: float = 0.0
    access: str = ""


@dataclass(frozen=True, eq=False)
class CauseModel:
    """``prior`` is by cause; ``table`` is branches x causes, P(outcome | cause), each test's rows summing to 1.

    ``evidence`` has the shape of ``table``: the weighted verified jobs behind each figure. ``corrected`` names the
    (procedure, step) whose likelihoods were corrected for selective verification. ``prior_weights`` and
    ``table_weights`` are the Dirichlet weights that ``prior`` and ``table`` are the means of, for drawing from them.
    ``behind`` are the columns that stand for all causes behind a hand-over. ``recalibration`` corrects what is believed
    after results.

    Raises:
        ValueError: the shapes do not fit, or a figure is no probability.
    """

    causes: tuple[str, ...]
    prior: Array
    branches: tuple[Branch, ...]
    table: Array
    tests: tuple[Test, ...]
    repairs: tuple[RepairAction, ...] = ()
    names: tuple[str, ...] = ()
    evidence: Array | None = None
    access_minutes: Mapping[str, float] = field(default_factory=dict)
    corrected: tuple[tuple[str, str], ...] = ()
    prior_weights: Array | None = None
    table_weights: Array | None = None
    behind: tuple[CausesBehind, ...] = ()
    recalibration: Recalibration = NO_RECALIBRATION

    def __post_init__(self) -> None:
        if self.table.shape != (len(self.branches), len(self.causes)) or self.prior.shape != (len(self.causes),):
            raise ValueError("The table must have one row for each branch and one column for each cause.")
        if not self.causes or not _probabilities(self.prior, self.prior.sum(keepdims=True)):
            raise ValueError("What is believed of the causes must be probabilities that sum to 1.")
        if self.tests and not _probabilities(self.table, self._by_test(self.table)):
            raise ValueError("The outcomes of each test must have probabilities that sum to 1 for every cause.")

    @cached_property
    def starts(self) -> np.typing.NDArray[np.intp]:
        return np.array([test.start for test in self.tests], dtype=np.intp)

    @cached_property
    def row_of(self) -> dict[tuple[str, str, str], int]:
        return {branch[:3]: row for row, branch in enumerate(self.branches)}

    @cached_property
    def rows_by_procedure(self) -> dict[str, dict[str, dict[str, int]]]:
        """:attr:`row_of` by procedure, step and outcome one after the other, which takes half as long to look up."""
        rows: dict[str, dict[str, dict[str, int]]] = {}
        for (procedure, step, outcome), row in self.row_of.items():
            rows.setdefault(procedure, {}).setdefault(step, {})[outcome] = row
        return rows

    @cached_property
    def test_of(self) -> dict[tuple[str, str], int]:
        return {(test.procedure, test.step): place for place, test in enumerate(self.tests)}

    @cached_property
    def test_of_row(self) -> list[int]:
        """Place of the test that each row of the table belongs to."""
        return [place for place, test in enumerate(self.tests) for _ in range(test.start, test.stop)]

    @cached_property
    def column_of(self) -> dict[str, int]:
        return {identity: column for column, identity in enumerate(self.causes)}

    @cached_property
    def log_prior(self) -> Array:
        return _log(self.prior, -math.inf)

    @cached_property
    def log_table(self) -> Array:
        """Logs of the table, 0 as :data:`IMPOSSIBLE`: should a record be impossible under every cause, those that
        contradict it least are left."""
        return _log(self.table, IMPOSSIBLE)

    @cached_property
    def factors(self) -> Array:
        """The table, as sharp as recalibrated, and ``prior`` as one row more, the last: what belief is a product of."""
        sharpness = self.recalibration.sharpness
        return np.vstack([self.table if sharpness == 1 else self.table**sharpness, self.prior])

    @cached_property
    def outcome_entropy(self) -> Array:
        """Tests x causes: entropy in nats of the outcome once the cause is given."""
        if not self.tests:
            return np.zeros((0, len(self.causes)))
        return -self._by_test(self.table * self.log_table)

    def _by_test(self, figures: Array) -> Array:
        """Tests x causes: branches x causes summed over the outcomes of each test, outcome by outcome; ``reduceat``
        takes five times as long along this axis."""
        sizes = np.array([test.stop - test.start for test in self.tests], dtype=np.intp)
        summed = figures.take(self.starts, axis=0)
        for further in range(1, int(sizes.max())):
            more = sizes > further
            if more.all():
                summed += figures.take(self.starts + further, axis=0)
            else:
                summed[more] += figures.take(self.starts[more] + further, axis=0)
        return summed

    @cached_property
    def minutes(self) -> Array:
        return np.array([test.minutes for test in self.tests])

    @cached_property
    def repair_matrix(self) -> Array:
        """Causes x (repairs + 1): 1 where a repair puts a cause right; the last column holds what no repair does.

        Without any repair each cause stands for itself.
        """
        if not self.repairs:
            return np.eye(len(self.causes))
        matrix = np.zeros((len(self.causes), len(self.repairs) + 1))
        for column, repair in enumerate(self.repairs):
            matrix[list(repair.causes), column] = 1.0
        matrix[:, -1] = matrix[:, :-1].sum(axis=1) == 0
        return matrix

    @cached_property
    def shared_repairs(self) -> list[np.typing.NDArray[np.intp]]:
        """The causes (columns) of each repair that puts more than one right, those that no repair does among them."""
        return [np.flatnonzero(column) for column in self.repair_matrix.T if column.sum() > 1]

    @cached_property
    def repair_entropy(self) -> Array:
        """:attr:`outcome_entropy` of the causes that have a repair to themselves, 0 of the others."""
        if not self.shared_repairs:
            return self.outcome_entropy
        alone = np.ones(len(self.causes))
        alone[np.concatenate(self.shared_repairs)] = 0.0
        return self.outcome_entropy * alone

    @cached_property
    def repair_bits(self) -> Array:
        """:attr:`repair_entropy` in bits."""
        return self.repair_entropy / math.log(2)

    def name(self, identity: str) -> str:
        """The cause as people say it."""
        column = self.column_of.get(identity)
        return self.names[column] if column is not None and self.names else identity


def _probabilities(figures: Array, sums: Array) -> bool:
    """Whether the figures are at least 0 and their sums 1; what is no number makes no such sum."""
    return bool(figures.min() >= 0 and np.all(np.abs(sums - 1) < 1e-6))


def _log(figures: Array, of_zero: float) -> Array:
    if figures.size and figures.min() > 0:
        return np.log(figures)
    logs = np.full(figures.shape, of_zero)
    np.log(figures, out=logs, where=figures > 0)
    return logs
