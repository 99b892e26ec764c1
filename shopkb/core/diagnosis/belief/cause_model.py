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
    ``behind`` are the columns that stand for all causes behind a hand-over.

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

    def __post_init__(self) -> None:
        if self.table.shape != (len(self.branches), len(self.causes)) or self.prior.shape != (len(self.causes),):
            raise ValueError("The table must have one row for each branch and one column for each cause.")
        if not self.causes or not _probabilities(self.prior, np.array([0])):
            raise ValueError("What is believed of the causes must be probabilities that sum to 1.")
        if self.tests and not _probabilities(self.table, self.starts):
            raise ValueError("The outcomes of each test must have probabilities that sum to 1 for every cause.")

    @cached_property
    def starts(self) -> np.typing.NDArray[np.intp]:
        return np.array([test.start for test in self.tests], dtype=np.intp)

    @cached_property
    def row_of(self) -> dict[tuple[str, str, str], int]:
        return {branch[:3]: row for row, branch in enumerate(self.branches)}

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
    def outcome_entropy(self) -> Array:
        """Tests x causes: entropy in nats of the outcome once the cause is given."""
        if not self.tests:
            return np.zeros((0, len(self.causes)))
        terms = self.table * self.log_table
        return -np.asarray(np.add.reduceat(terms, self.starts, axis=0))

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

    def name(self, identity: str) -> str:
        """The cause as people say it."""
        column = self.column_of.get(identity)
        return self.names[column] if column is not None and self.names else identity


def _probabilities(figures: Array, starts: np.typing.NDArray[np.intp]) -> bool:
    if not np.all(np.isfinite(figures)) or np.any(figures < 0):
        return False
    return bool(np.all(np.abs(np.add.reduceat(figures, starts, axis=0) - 1) < 1e-6))


def _log(figures: Array, of_zero: float) -> Array:
    logs = np.full(figures.shape, of_zero)
    np.log(figures, out=logs, where=figures > 0)
    return logs
