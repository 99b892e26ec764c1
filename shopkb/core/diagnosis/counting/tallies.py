"""Tallies: counts of closed jobs under a key, which can be added, taken back and merged.

A tally counts jobs, never rows: a step done twice in a job counts once, by its latest standing result. All sums are
whole numbers (seconds, not minutes), so adding and taking back in any order gives exactly the same tallies.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase, seconds_in_all

SKIP = "skip:"
"""Prefix of the outcome key under which a skipped step is counted, followed by the reason."""


@dataclass(frozen=True, slots=True, order=True)
class TallyKey:
    """What is counted apart.

    ``step`` and ``outcome`` are empty for the run as a whole (what causes a procedure meets); ``cause`` and ``proof``
    are empty for jobs that may not speak for a cause. ``position`` is where in the procedure a result was got
    (:mod:`.positions`): off the written way, or by which ways to its step; empty for the run as a whole, and where
    results are not told apart by it.
    """

    procedure: str
    step: str
    outcome: str
    cause: str
    proof: str
    platform: str
    month: str
    position: str = ""


@dataclass(frozen=True, slots=True)
class TallySums:
    """How many jobs; of those with a known time (``timed``) the seconds and seconds squared; how many came back; how
    many repaired what this outcome named without a cure; how many the first repair cured."""

    count: int = 0
    timed: int = 0
    seconds: int = 0
    seconds_squared: int = 0
    came_back: int = 0
    rejected: int = 0
    together: int = 0
    cured_first: int = 0

    def __add__(self, other: TallySums) -> TallySums:
        return TallySums(
            self.count + other.count,
            self.timed + other.timed,
            self.seconds + other.seconds,
            self.seconds_squared + other.seconds_squared,
            self.came_back + other.came_back,
            self.rejected + other.rejected,
            self.together + other.together,
            self.cured_first + other.cured_first,
        )

    def __neg__(self) -> TallySums:
        return TallySums(
            -self.count, -self.timed, -self.seconds, -self.seconds_squared, -self.came_back, -self.rejected,
            -self.together, -self.cured_first,
        )  # fmt: skip

    def __bool__(self) -> bool:
        return self != ZERO


ZERO = TallySums()

Tallies = Mapping[TallyKey, TallySums]


def contributions(case: ClosedCase) -> dict[TallyKey, TallySums]:
    """What one closed job adds to the tallies.

    A job that came back counts as traffic without a cause, and ``came_back`` is kept under the cause it had claimed.
    Where several faults were found, each result counts for the cause it speaks for, and what another fault explains
    counts as traffic without a cause.
    """
    sums: dict[TallyKey, TallySums] = {}

    def add(place: tuple[str, str, str], cause: str, proof: str, part: TallySums, position: str = "") -> None:
        key = TallyKey(*place, cause, proof if cause else "", case.platform, case.month, position)
        sums[key] = sums.get(key, ZERO) + part

    met = {procedure: case.of(procedure) for procedure in case.procedures}
    also = {procedure: _also(one) for procedure, one in met.items()}
    for result in _latest(case.results):
        place = (result.procedure, result.step, result.outcome or f"{SKIP}{result.skipped}")
        here, once = met[result.procedure], _once(result.seconds)
        cause, proof, claimed = here.cause, here.proof, here.claimed
        if result.speaks_for is not None:
            claimed, proof = result.speaks_for
            cause = claimed if case.cause else ""
        else:
            once += also[result.procedure]
        add(place, cause, proof, once, result.position)
        if case.came_back and claimed:
            add(place, claimed, proof, TallySums(came_back=1), result.position)
    for procedure, here in met.items():
        place = (procedure, "", "")
        add(place, here.cause, here.proof, _once(_seconds_of(case, procedure)) + also[procedure])
        if case.came_back and here.claimed:
            add(place, here.claimed, here.proof, TallySums(came_back=1))
    for end in dict.fromkeys(case.rejected):
        add((end.procedure, end.step, end.outcome), "", "", TallySums(rejected=1), end.position)
    return {key: part for key, part in sums.items() if part}


def _also(case: ClosedCase) -> TallySums:
    return TallySums(
        together=int(bool(case.cause) and bool(set(case.also) - {case.cause})), cured_first=int(case.cured_first)
    )


def merge(parts: Iterable[Tallies]) -> dict[TallyKey, TallySums]:
    """Sum of several sets of tallies: months, platforms or shops. Keys whose sums are all zero vanish."""
    total: dict[TallyKey, TallySums] = {}
    for part in parts:
        for key, sums in part.items():
            total[key] = total.get(key, ZERO) + sums
    return {key: sums for key, sums in total.items() if sums}


def take_back(tallies: Tallies) -> dict[TallyKey, TallySums]:
    """The opposite of ``tallies``: merging both gives nothing."""
    return {key: -sums for key, sums in tallies.items()}


def _latest(results: Iterable[CaseResult]) -> list[CaseResult]:
    latest = {(result.procedure, result.step): result for result in results}
    return list(latest.values())


def _seconds_of(case: ClosedCase, procedure: str) -> int | None:
    return seconds_in_all(result for result in case.results if result.procedure == procedure)


def _once(seconds: int | None) -> TallySums:
    if seconds is None:
        return TallySums(count=1)
    return TallySums(count=1, timed=1, seconds=seconds, seconds_squared=seconds * seconds)
