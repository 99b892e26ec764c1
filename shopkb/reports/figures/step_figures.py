"""Which tests find faults: figures of each step, from tallies and the flow in force. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from shopkb.core.diagnosis.belief.information import information_gain
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.counting.flow_counts import FlowCounts, count
from shopkb.core.diagnosis.counting.positions import positions
from shopkb.core.diagnosis.counting.tallies import SKIP, Tallies, TallySums
from shopkb.core.diagnosis.rates.hierarchical import PooledRate, hierarchical_rates
from shopkb.core.flow.model import Flow, GoKind, Step, TestKind
from shopkb.reports.figures.shares import LEVELS, PooledShare, Quartiles, Share

PERIOD = "0000-00"
"""Stands for the month of tallies that were summed over a period: nothing is weighted by age."""


@dataclass(frozen=True, slots=True)
class StepFigures:
    """One step of a procedure in force.

    ``done`` counts jobs, ``proven`` those of them with a proven cause that came to the step on the written way,
    ``found_on_way`` those of these whose outcome led straight to that cause, ``found`` the same wherever in the
    procedure it was got. ``is_test``: it can come out in more than one way; ``needed``: another step must not be done
    without it; ``turned_away`` counts jobs that it sent out or to another procedure. ``led_away`` counts ends of this
    step that were repaired without a cure or came back. ``minutes`` is the mean of the ``timed`` jobs, ``typical``
    their median and quartiles. ``bits`` is telling power as if the step came first. ``onward`` is the share of proven
    jobs whose cause could still be found behind the branch taken, pooled over platforms.
    """

    procedure: str
    procedure_title: str
    step: str
    number: int
    title: str
    done: int
    proven: int
    found: int
    found_on_way: int
    led_away: int
    names_a_cause: bool
    is_test: bool = True
    needed: bool = False
    turned_away: int = 0
    skipped: Mapping[str, int] = field(default_factory=dict)
    timed: int = 0
    minutes: float | None = None
    typical: Quartiles | None = None
    bits: float | None = None
    onward: Share | PooledShare | None = None

    @property
    def finds(self) -> Share:
        """Of the jobs that came to it on the written way: a test done early, on advice or by chance, is done on other
        jobs than those it was written for."""
        return Share(self.found_on_way, self.proven)

    @property
    def misleads(self) -> Share:
        """Share of the verified ends of this step that were wrong."""
        return Share(self.led_away, self.led_away + self.found)

    @property
    def left_out(self) -> Share:
        skipped = sum(self.skipped.values())
        return Share(skipped, skipped + self.done)

    @property
    def minutes_in_all(self) -> float | None:
        """Minutes of all jobs; those without a known time at the mean of the others."""
        return None if self.minutes is None else self.minutes * self.done

    @property
    def minutes_a_fault(self) -> float | None:
        """Minutes spent on this step for each fault that it found; ``None`` if it found none."""
        spent = self.minutes_in_all
        return None if spent is None or not self.found else spent / self.found

    @property
    def bits_a_minute(self) -> float | None:
        return None if self.bits is None or not self.minutes else self.bits / self.minutes

    @property
    def minutes_a_bit(self) -> float | None:
        """Minutes per bit of information; ``None`` without information or known minutes."""
        return None if not self.bits or self.minutes is None else self.minutes / self.bits


def step_figures(
    flow: Flow,
    tallies: Tallies,
    *,
    related: Tallies | None = None,
    platform: str = "",
    strengths: Sequence[float] = (),
    weights: Sequence[float] = (),
) -> tuple[StepFigures, ...]:
    """Figures of every step with outcomes, in the writer's order.

    ``tallies`` are those of the period, summed over its months and over platforms. ``related`` are those of all
    platforms, each for itself, and lend to the one at the path ``platform``. ``typical`` is not known from tallies.
    """
    counts = count(flow, tallies, as_of=PERIOD, half_life=None)
    if related is None:
        bits, onward = _bits(counts, "", strengths), _onward(counts)
    else:
        wider = count(flow, related, as_of=PERIOD, half_life=None, platforms=(platform,))
        bits, onward = _bits(wider, platform, strengths), _lent(wider, platform, weights)
    by_step, here = _by_step(tallies), positions(flow)
    on_way = _by_step({key: sums for key, sums in tallies.items() if key.position in ("", here.get(key.step))})
    return tuple(
        _figures(flow, step, by_step.get(step.key, {}), on_way.get(step.key, {}), bits, onward)
        for step in flow.steps
        if step.outcomes
    )


def _by_step(tallies: Tallies) -> dict[str, dict[tuple[str, str], TallySums]]:
    """Step to (outcome, confirmed cause) to sums."""
    found: dict[str, dict[tuple[str, str], TallySums]] = defaultdict(lambda: defaultdict(TallySums))
    for key, sums in tallies.items():
        if key.step:
            found[key.step][key.outcome, key.cause] += sums
    return found


def _figures(
    flow: Flow,
    step: Step,
    sums: Mapping[tuple[str, str], TallySums],
    on_way: Mapping[tuple[str, str], TallySums],
    bits: Mapping[str, float],
    onward: Mapping[str, Share | PooledShare],
) -> StepFigures:
    names = {o.key: flow.cause_by_key[o.go.key].identity for o in step.outcomes if o.go.kind is GoKind.CAUSE}
    away = {o.key for o in step.outcomes if o.go.kind in (GoKind.OUT, GoKind.HAND_OVER)}
    answered = {pair: part for pair, part in sums.items() if not pair[0].startswith(SKIP)}
    skipped: dict[str, int] = defaultdict(int)
    for (outcome, _cause), part in sums.items():
        if outcome.startswith(SKIP):
            skipped[outcome.removeprefix(SKIP)] += part.count
    timed = sum(part.timed for part in answered.values())
    seconds = sum(part.seconds for part in answered.values())
    return StepFigures(
        procedure=flow.procedure,
        procedure_title=flow.title,
        step=step.key,
        number=flow.number_by_step[step.key],
        title=step.title,
        done=_jobs(answered.items(), proven=False),
        proven=_jobs(((pair, part) for pair, part in on_way.items() if not pair[0].startswith(SKIP)), proven=True),
        found=_found(answered, names),
        found_on_way=_found(on_way, names),
        led_away=sum(part.rejected for part in answered.values()),
        names_a_cause=bool(names),
        is_test=step.test is not TestKind.ACTION and len(step.outcomes) > 1,
        needed=any(step.key in other.needs for other in flow.steps),
        turned_away=sum(part.count for (outcome, _cause), part in answered.items() if outcome in away),
        skipped=dict(sorted(skipped.items())),
        timed=timed,
        minutes=seconds / timed / 60 if timed else None,
        bits=bits.get(step.key),
        onward=onward.get(step.key),
    )


def _found(answered: Mapping[tuple[str, str], TallySums], names: Mapping[str, str]) -> int:
    """Jobs whose outcome named the cause that was proven."""
    return sum(part.count for (outcome, cause), part in answered.items() if cause and names.get(outcome) == cause)


def _jobs(answered: Iterable[tuple[tuple[str, str], TallySums]], *, proven: bool) -> int:
    return max(0, sum(part.count for (_outcome, cause), part in answered if cause or not proven))


def _bits(counts: FlowCounts, platform: str, strengths: Sequence[float]) -> dict[str, float]:
    model = learn(counts, platform, prior_strengths=strengths)
    power = information_gain(model, model.prior)
    return {test.step: float(bits) for test, bits in zip(model.tests, power, strict=True)}


def _onward(counts: FlowCounts) -> dict[str, Share | PooledShare]:
    """Success of all branches of each step together, as counted."""
    wins, jobs = counts.by_platform.wins.sum(axis=0), counts.by_platform.jobs.sum(axis=0)
    return {
        step.key: Share(int(wins[rows].sum()), int(jobs[rows].sum()))
        for step in counts.flow.steps
        if step.outcomes and (rows := counts.rows_of_step[step.key])
    }


def _lent(counts: FlowCounts, platform: str, weights: Sequence[float]) -> dict[str, Share | PooledShare]:
    """The same for one platform, pooled over the platform tree."""
    import numpy as np

    steps = [step for step in counts.flow.steps if step.outcomes]
    starts = [counts.rows_of_step[step.key].start for step in steps]
    wins = np.add.reduceat(counts.by_platform.wins, starts, axis=1)
    jobs = np.add.reduceat(counts.by_platform.jobs, starts, axis=1)
    screen, exports = (hierarchical_rates(counts.tree, platform, wins, jobs, weights, level) for level in LEVELS)
    return {
        step.key: PooledShare(one, other)
        for step, one, other in zip(steps, screen, exports, strict=True)
        if isinstance(one, PooledRate) and isinstance(other, PooledRate)
    }
