"""A closed job as a value, and what it proves: the one rule for learning, replay and figures. Pure Python.

The database has the same rule as expressions (:class:`shopkb.jobs.models.RepairQuerySet`); a property test checks that
both select the same repairs.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import cached_property

ELIMINATION = "elimination"
"""Value of :class:`shopkb.core.flow.model.Proof`."""

CURED, NOT_CURED = "cured", "not-cured"
"""Values of :class:`shopkb.jobs.models.Verification.Cured`; :data:`CURED` also of :class:`Job.Disposition`."""


@dataclass(frozen=True, slots=True)
class AnswerFact:
    """An effective answer. ``outcome`` or ``skipped`` (the reason) is empty; ``seconds`` is ``None`` if not known.

    ``overridden``: it went against what the reading said; ``off_path``: out of the written order. ``revision`` is the
    number of the revision that was followed. ``reading`` is in ``unit``. ``position`` and ``expected`` are as in
    :class:`~shopkb.core.diagnosis.counting.closed_case.CaseResult`.
    """

    procedure: str
    step: str
    outcome: str
    skipped: str
    seconds: int | None
    off_path: bool
    overridden: bool
    who: str
    revision: int
    reading: Decimal | None = None
    unit: str = ""
    position: str = ""
    expected: int | None = None
    explained_by: int | None = None
    """Where it stated a finding of which it is said what became: the number of the repair that put it right, else 0."""


@dataclass(frozen=True, slots=True)
class RepairFact:
    """A repair. ``cause`` is an identity, ``cured`` the latest verification (empty: none).

    ``named_at`` is the (procedure, step, outcome) that named the cause, ``named_by`` who recorded it, ``named_in`` the
    primary key of the revision; empty when no procedure named it. ``at`` is when it was recorded, ``weak`` why its
    proof was not to be relied on, ``beside`` whether it put another fault right that was found on the job.
    """

    number: int
    cause: str
    proof: str
    who: str
    cured: str
    parts: str = ""
    named_at: tuple[str, str, str] | None = None
    named_by: str = ""
    named_in: int | None = None
    at: datetime | None = None
    weak: str = ""
    beside: bool = False

    @property
    def counted_proof(self) -> str:
        """The proof as learning takes it: a weak one counts as elimination does."""
        return ELIMINATION if self.weak else self.proof


@dataclass(frozen=True)
class JobFact:
    """A closed job. ``procedures`` are those of which a step was answered, ``repairs`` in the order they were recorded.

    ``also`` holds the causes found together with the one that cured, ``answers`` are in the order they were recorded,
    ``back_at`` is when the first comeback was opened.
    """

    number: int
    platform: str
    symptom: str
    disposition: str
    opened_at: datetime
    closed_at: datetime
    closed_by: str
    procedures: tuple[str, ...] = ()
    repairs: tuple[RepairFact, ...] = ()
    also: tuple[str, ...] = ()
    back_at: datetime | None = None
    answers: tuple[AnswerFact, ...] = ()

    @cached_property
    def claimed(self) -> RepairFact | None:
        """The repair that cured, as the job says: :func:`last_cured`, on a job closed as cured."""
        return last_cured(self.repairs) if self.disposition == CURED else None

    @cached_property
    def confirmed(self) -> RepairFact | None:
        """The claimed repair, unless the job came back."""
        return None if self.back_at else self.claimed

    @cached_property
    def cured(self) -> tuple[RepairFact, ...]:
        """The last repair verified as cured of each cause, on a job closed as cured."""
        cured = {repair.cause: repair for repair in self.repairs if repair.cured == CURED}
        return tuple(cured.values()) if self.disposition == CURED else ()

    @property
    def wrong(self) -> tuple[RepairFact, ...]:
        """Repairs that did not cure, and the claimed one if the job came back."""
        return tuple(
            repair
            for repair in self.repairs
            if repair.cured == NOT_CURED or (self.back_at is not None and repair == self.claimed)
        )

    @property
    def rejected(self) -> tuple[RepairFact, ...]:
        """Repairs whose named ends were wrong: those that did not cure, and all if the job came back."""
        return tuple(repair for repair in self.repairs if repair.cured == NOT_CURED or self.back_at is not None)

    @property
    def days_until_back(self) -> int | None:
        return None if self.back_at is None else max(0, (self.back_at - self.closed_at).days)


def last_cured(repairs: tuple[RepairFact, ...]) -> RepairFact | None:
    """The last repair that was verified as cured, whatever the job was closed as; one that put another fault right only
    where no other was."""
    cured = [repair for repair in repairs if repair.cured == CURED]
    return max(cured, key=lambda repair: (not repair.beside, repair.number), default=None)
