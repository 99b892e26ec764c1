"""One line of the table that ``python -m tests.benchmarks`` prints: ours beside what could be used instead."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """``ours`` and ``theirs`` are medians of one run, in ``unit``. ``goal`` is the least ratio theirs / ours, below 1
    where ours does more than the bare thing beside it; ``None``: told without a goal."""

    what: str
    size: str
    unit: str
    ours: float
    peer: str
    theirs: float
    goal: float | None = None

    @property
    def ratio(self) -> float:
        """How many times ours goes into theirs."""
        return self.theirs / self.ours

    @property
    def met(self) -> str:
        """Whether the goal is met, in a word."""
        return "" if self.goal is None else "yes" if self.ratio >= self.goal else "no"


def table(rows: Iterable[Row]) -> str:
    """As Markdown."""
    lines = [
        "| what | size | ours | beside it | | times | goal | met |",
        "| --- | --- | ---: | --- | ---: | ---: | ---: | --- |",
    ]
    for row in rows:
        goal = "" if row.goal is None else f"{row.goal:.3g}"
        lines.append(
            f"| {row.what} | {row.size} | {row.ours:,.4g} {row.unit} | {row.peer} | {row.theirs:,.4g} {row.unit} | "
            f"{row.ratio:,.3g} | {goal} | {row.met} |"
        )
    return "\n".join(lines)


def median(call: Callable[[], object], seconds: float = 0.4, least: int = 5) -> float:
    """Median processor time of a call, in microseconds, over as many as fit, and ``least``.

    Processor time, so that another load on the computer says little; calls shorter than a millisecond are timed in rows
    of some, since asking for it takes long itself.
    """
    begin = time.process_time()
    call()
    first = time.process_time() - begin
    often = max(1, min(200, int(1e-3 / max(first, 1e-6))))
    times: list[float] = []
    until = time.perf_counter() + seconds
    while time.perf_counter() < until or len(times) < least:
        begin = time.process_time()
        for _ in range(often):
            call()
        times.append((time.process_time() - begin) / often)
    return statistics.median(times) * 1e6


def side_by_side(*calls: Callable[[], object], seconds: float = 1.5, least: int = 7) -> list[float]:
    """Least processor time of each call, in microseconds, over rounds in which all take turns.

    What else the computer does makes a round longer, never shorter, and by turns it strikes all of them alike.
    """
    found = [float("inf")] * len(calls)
    until, rounds = time.perf_counter() + seconds, 0
    while time.perf_counter() < until or rounds < least:
        rounds += 1
        for place, call in enumerate(calls):
            begin = time.process_time()
            call()
            found[place] = min(found[place], time.process_time() - begin)
    return [taken * 1e6 for taken in found]
