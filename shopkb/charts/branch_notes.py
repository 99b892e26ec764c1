"""What closed jobs say about a branch, as the chart and the outline write it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

BranchKey = tuple[str, str]
"""A step key and an outcome key."""


@dataclass(frozen=True, slots=True)
class BranchNote:
    """The evidence of one branch.

    Attributes:
        jobs: verified jobs that took the branch.
        successes: of these, the jobs whose confirmed cause could still be reached through it; a fraction when
            evidence is weighted.
        traffic: all jobs that took the branch, verified or not.
        low: lower end of the interval of the success rate, 0 to 1, or None.
        high: upper end of it, 0 to 1, or None.
        verified: jobs that took the branch and have a proven cause.
        cured_first: of these, the jobs that the first repair cured.
    """

    jobs: int
    successes: float
    traffic: int
    low: float | None = None
    high: float | None = None
    verified: int = 0
    cured_first: int = 0


BranchNotes = Mapping[BranchKey, BranchNote]


def whole_or_tenths(number: float) -> str:
    """``30`` for 30.0, ``29.5`` for 29.46: whole numbers when whole, tenths otherwise."""
    return f"{number:.1f}".removesuffix(".0")


def rate_text(note: BranchNote | None) -> str:
    """``30 of 41``, or nothing while no verified job has taken the branch."""
    return f"{whole_or_tenths(note.successes)} of {note.jobs}" if note and note.jobs else ""


def evidence_text(note: BranchNote | None) -> str:
    """One or two sentences: the rate with its interval in percent, and the traffic when it differs from the jobs."""
    if note is None or not (note.jobs or note.traffic):
        return "No jobs yet."
    words = "No verified jobs yet."
    if note.jobs:
        words = f"Right in {rate_text(note)} verified jobs"
        if note.low is not None and note.high is not None:
            words += f", {note.low * 100:.0f} to {note.high * 100:.0f} %"
        words += "."
    return words if note.traffic == note.jobs else f"{words} Taken in {note.traffic}."


def jobs_text(note: BranchNote | None) -> str:
    """``412 jobs`` that took the branch, or nothing while none has."""
    if note is None or not note.traffic:
        return ""
    return "1 job" if note.traffic == 1 else f"{note.traffic} jobs"


def evidence_line(note: BranchNote, total: int, *, tells: bool = True) -> str:
    """``412 jobs, 60 %; right 30 of 41, 58 to 84 %``: its share of the jobs that had any outcome of the step.

    Where the branch rules no cause out, it is right by construction: how many the first repair cured is told instead.
    """
    words = f"{jobs_text(note)}, {share_text(note.traffic / total)}"
    if not tells:
        return f"{words}; first repair cured {note.cured_first} of {note.verified}" if note.verified else words
    return f"{words}; {success_text(note)}" if note.jobs else words


def success_text(note: BranchNote) -> str:
    """``right 30 of 41, 58 to 84 %``."""
    interval = f", {interval_text(note.low, note.high)}" if note.low is not None and note.high is not None else ""
    return f"right {rate_text(note)}{interval}"


def share_text(share: float) -> str:
    """``60 %``; neither 0 nor 100 where there is something on the other side."""
    if 0 < share < 0.01:
        return "under 1 %"
    return "over 99 %" if 0.99 < share < 1 else f"{share * 100:.0f} %"


def interval_text(low: float, high: float) -> str:
    """``58 to 84 %``, rounded outwards."""
    return f"{math.floor(low * 100 + 1e-9)} to {math.ceil(high * 100 - 1e-9)} %"


def possibility_text(probability: float) -> str:
    """``still possible 0.71``; probabilities near the ends are not rounded to a certainty that is not there."""
    if probability <= 0:
        return "ruled out"
    if probability < 0.005:
        return "still possible, under 0.01"
    if 0.995 <= probability < 1:
        return "still possible, over 0.99"
    return f"still possible {probability:.2f}"
