"""A closed job as a value: the input of learning and replay."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final, Protocol


@dataclass(frozen=True, slots=True)
class CaseResult:
    """One standing result (not superseded), in the order it was recorded.

    ``outcome`` is empty when the step was skipped; then ``skipped`` holds the reason key. ``seconds`` is the time the
    step took, ``None`` when it is not known (a break, a hand-over); ``expected`` what stands for it in the time of the
    whole procedure: what the writer expects of the step, nothing of one left out. ``reading`` is in ``unit``.
    ``position`` is where in the procedure it was got (:mod:`.positions`), empty where that is not told.

    ``speaks_for`` is the cause it speaks for and how that was proven, where several faults were found and it is not the
    one that its procedure came to; two empty texts where another fault explains it, which it does not tell of.
    """

    procedure: str
    step: str
    outcome: str
    skipped: str = ""
    seconds: int | None = None
    reading: Decimal | None = None
    unit: str = ""
    position: str = ""
    speaks_for: tuple[str, str] | None = None
    expected: int | None = None


USUAL_SECONDS: Final = 300
"""What a step counts for that has neither a known time nor one that the writer expects."""


class Timed(Protocol):
    """A result as far as its time goes, in seconds."""

    @property
    def seconds(self) -> int | None: ...
    @property
    def expected(self) -> int | None: ...


def seconds_in_all(results: Iterable[Timed]) -> int | None:
    """Time of all results together; ``None`` where there are none, or where one has neither a time nor an expected one.

    Whoever left out every procedure in which one time is not known would leave out the long ones: the more steps, the
    sooner a break falls into one of them.
    """
    times = [result.expected if result.seconds is None else result.seconds for result in results]
    known = [seconds for seconds in times if seconds is not None]
    return sum(known) if known and len(known) == len(times) else None


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
    ``cured_first``: the cause is confirmed, and no repair before that one was in vain. ``proven``: where several causes
    were put right, those that a procedure came to by itself, as (procedure, cause, proof).
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
    proven: tuple[tuple[str, str, str], ...] = ()

    def of(self, procedure: str) -> ClosedCase:
        """The job as this procedure met it: with the cause that it came to, and without what another fault explains."""
        found = next(((cause, proof) for key, cause, proof in self.proven if key == procedure), None)
        own = tuple(one for one in self.results if one.procedure != procedure or one.speaks_for is None)
        if found is None:
            return self if len(own) == len(self.results) else replace(self, results=own)
        return replace(
            self, cause=found[0] if self.cause else "", proof=found[1], claimed=found[0] if self.claimed else "",
            also=(), results=own, proven=(),
        )  # fmt: skip

    @property
    def verified(self) -> bool:
        """Whether this case may speak for a cause."""
        return bool(self.cause)

    @property
    def procedures(self) -> tuple[str, ...]:
        """The procedures followed, each once, in order of first use."""
        return tuple(dict.fromkeys(result.procedure for result in self.results))
