"""What the shop has decided about suggestions, and when a suggestion comes back all the same. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from shopkb.reports.figures.shares import FEWEST, Share
from shopkb.reports.figures.suggestions import Subject, Suggestion

GREW = 1.5
"""What is only counted has changed once there are so many times more jobs than when it was decided. Our choice."""


class Decided(StrEnum):
    """What becomes of a suggestion."""

    GIVEN = "given"
    WATCHED = "watched"
    DONE = "done"
    DISMISSED = "dismissed"
    TAKEN_UP = "taken up again"


IN_HAND = (Decided.GIVEN, Decided.WATCHED)
SETTLED = (Decided.DONE, Decided.DISMISSED)


@dataclass(frozen=True, slots=True)
class Decision:
    """The latest decision on one subject, with the counts that it was made on."""

    subject: Subject
    decided: Decided
    part: int
    whole: int


def to_decide(found: Iterable[Suggestion], decisions: Mapping[Subject, Decision]) -> list[Suggestion]:
    """Those that nobody has decided about, or that new jobs have changed since."""
    return [one for one in found if _is_open(one, decisions.get(one.subject))]


def _is_open(one: Suggestion, decision: Decision | None) -> bool:
    if decision is None or decision.decided is Decided.TAKEN_UP:
        return True
    return decision.decided is not Decided.GIVEN and worse_than(decision, one)


def worse_than(decision: Decision, now: Suggestion) -> bool:
    """Whether jobs say clearly more than on the day of the decision.

    A share is worse where even the lower end of its 80 % interval lies above the share of that day; a count of jobs
    where it has grown by half and by :data:`shares.FEWEST` at least.
    """
    if now.whole and decision.whole:
        ends = Share(now.part, now.whole).interval()
        return ends is not None and ends[0] > decision.part / decision.whole
    return now.part >= max(GREW * decision.part, decision.part + FEWEST)
