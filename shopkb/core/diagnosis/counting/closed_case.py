"""A closed job as a value: the input of learning and replay."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True, slots=True)
class CaseResult:
    """One standing result (not superseded), in the order it was recorded.

    ``outcome`` is empty when the step was skipped; then ``skipped`` holds the reason key. ``seconds`` is the time the
    step took, ``None`` when it is not known (a break, a hand-over). ``reading`` is in ``unit``. ``position`` is where
    in the procedure it was got (:mod:`.positions`), empty where that is not told.
    """

    procedure: str
    step: str
    outcome: str
    skipped: str = ""
    seconds: int | None = None
    reading: Decimal | None = None
    unit: str = ""
    position: str = ""


@dataclass(frozen=True, slots=True)
class RejectedEnd:
    """An end that was reached, repaired and did not cure (or came back): the false lead, where it was named, and the
    position of the result that named it."""

    procedure: str
    step: str
    outcome: str
    cause: str
    position: str = ""


@dataclass(frozen=True, slots=True)
class ClosedCase:
    """A closed job. ``cause`` is the identity of the confirmed cause (``component#mode``).

    ``cause`` is empty unless the job was closed with a repair that cured the complaint and was verified, and the job
    has not come back. ``claimed`` holds that cause even after a comeback took it back. ``month`` is ``YYYY-MM`` of
    closing, ``platform`` a path in the platform tree. ``also`` lists identities of causes found together with it.
    ``cured_first``: the cause is confirmed, and no repair before that one was in vain.
    """

    job: int
    platform: str
    month: str
    cause: str = ""
    proof: str = ""
    claimed: str = ""
    came_back: bool = False
    results: tuple[CaseResult, ...] = ()
    rejected: tuple[RejectedEnd, ...] = ()
    also: tuple[str, ...] = ()
    cured_first: bool = False

    @property
    def verified(self) -> bool:
        """Whether this case may speak for a cause."""
        return bool(self.cause)

    @property
    def procedures(self) -> tuple[str, ...]:
        """The procedures followed, each once, in order of first use."""
        return tuple(dict.fromkeys(result.procedure for result in self.results))
