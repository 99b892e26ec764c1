"""The next action: the test or repair that leads to a cure in the fewest expected minutes.

:mod:`.lookahead` works out the minutes. The information gain of each test is given beside them, in bits, but does not
decide: when to stop testing matters more than which measure ranks the tests.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from shopkb.core.diagnosis.advice.lookahead import NO_INFORMATION, NO_SAVING, Lookahead
from shopkb.core.diagnosis.advice.repairs import USUAL_PRICES, Prices
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.information import information_gain
from shopkb.core.diagnosis.counting.closed_case import CaseResult

LOOK_FURTHER: Final = "Look further."

WORTH_PROVING: Final = 0.05
"""Where causes have to be proven, a test that proves one this often is worth its minutes, whatever it says."""


@dataclass(frozen=True, slots=True)
class TestOption:
    """A test that could come next. All times are minutes.

    ``minutes`` is the time of the test itself, ``setup`` the time to reach its set-up state from here, ``expected`` the
    expected time to the cure if it comes next, and ``saves`` how much less that is than repairing without further
    tests. ``bits`` is its information gain about which repair is needed; ``proves`` the probability that it proves the
    cause.
    """

    __test__ = False  # not a pytest class

    procedure: str
    step: str
    title: str
    minutes: float
    setup: float
    expected: float
    saves: float
    bits: float
    proves: float = 0.0

    @property
    def informs_or_proves(self) -> bool:
        """Whether it is worth its minutes where a cause has to be proven before its repair."""
        return self.bits >= NO_INFORMATION or self.proves >= WORTH_PROVING

    @property
    def words(self) -> str:
        """One sentence on what it costs and brings."""
        way = f" and {self.setup:.0f} to get there" if self.setup >= 0.5 else ""
        return f"{self.title}: {_minutes(self.minutes)}{way}. {self._gain}"

    @property
    def _gain(self) -> str:
        if self.saves >= 0.5:
            return f"On average the vehicle is cured {_minutes(self.saves)} sooner than without further tests."
        if self.proves >= WORTH_PROVING:
            return "It can prove the cause before anything is fitted."
        return "It saves no time on average, but tells causes apart."


@dataclass(frozen=True, slots=True)
class RepairOption:
    """A repair that could come next. ``cures`` is the probability that it cures; ``proven`` whether a result named one
    of its causes with a proof that the shop accepts. ``minutes`` includes the price of the part at the hourly rate. The
    option that ``looks_further`` stands for a cause that no listed repair puts right."""

    causes: tuple[str, ...]
    correction: str
    minutes: float
    setup: float
    expected: float
    cures: float
    proven: bool
    looks_further: bool = False


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do next: ``test`` or ``repair``, never both; neither when nothing is left to do.

    ``tests`` and ``repairs`` hold every option, cheapest first. ``without_tests`` is the expected minutes of repairing
    now without further tests. ``nothing_left`` is true when no test is worth its minutes. ``words`` gives the reason.
    """

    test: TestOption | None
    repair: RepairOption | None
    tests: tuple[TestOption, ...]
    repairs: tuple[RepairOption, ...]
    without_tests: float
    nothing_left: bool
    words: str


def advise(
    model: CauseModel,
    results: Sequence[CaseResult] = (),
    not_cured: Sequence[str] = (),
    *,
    prices: Prices = USUAL_PRICES,
    allowed: Collection[tuple[str, str]] | None = None,
    opened: frozenset[str] | None = None,
    depth: int = 2,
) -> Advice:
    """The test or repair that leads to a cure in the fewest expected minutes.

    ``results`` of all runs count, and so do repairs that did not cure (identities in ``not_cured``). ``allowed`` holds
    the (procedure, step) whose safety preconditions are met, ``None`` allows all; no other is advised or planned with.
    ``opened`` holds the set-up states reached, by default those of the steps done. ``depth`` is how many actions are
    looked ahead, 1 or 2. Steps done, and steps whose ``needs`` are not done, are left out.

    Raises:
        ValueError: ``depth`` is neither 1 nor 2.
    """
    if depth not in (1, 2):
        raise ValueError(f"One or two actions can be looked ahead; got {depth}.")
    at = Lookahead.of(model, results, not_cured, prices, allowed, opened)
    tests, repairs = _test_options(at, depth), _repair_options(at, depth)
    return _advice(at, tests, repairs)


def _test_options(at: Lookahead, depth: int) -> tuple[TestOption, ...]:
    bits = information_gain(at.model, at.considered)
    options = []
    for place, expected in at.cost_after_tests(depth).items():
        test = at.model.tests[place]
        options.append(
            TestOption(
                test.procedure, test.step, test.title, test.minutes, at.setup(test.access), expected,
                at.without_tests - expected, float(bits[place]), at.chance_to_prove(place),
            )
        )  # fmt: skip
    return tuple(sorted(options, key=lambda option: option.expected))


def _repair_options(at: Lookahead, depth: int) -> tuple[RepairOption, ...]:
    options = [_repair_option(at, place, after) for place, after in at.cost_after_repairs(depth).items()]
    return tuple(sorted(options, key=lambda option: option.expected))


def _repair_option(at: Lookahead, place: int, after: float) -> RepairOption:
    columns = np.flatnonzero(at.costs.matrix[:, place])
    minutes, last = float(at.costs.minutes[place]), place == len(at.model.repairs)
    setup = at.setup(at.costs.access[place])
    return RepairOption(
        causes=tuple(at.model.causes[column] for column in columns),
        correction=LOOK_FURTHER if last else at.model.repairs[place].correction,
        minutes=minutes,
        setup=setup,
        expected=minutes + setup + after,
        cures=float(at.weights[columns].sum()),
        proven=bool(at.proven[place]),
        looks_further=last,
    )


def _advice(at: Lookahead, tests: tuple[TestOption, ...], repairs: tuple[RepairOption, ...]) -> Advice:
    """The cheapest option. Where causes have to be proven first, an unproven repair comes after every test that informs
    or proves, and a proven one is advised only where no such test is cheaper."""
    rule, without = at.prices.prove_first, at.without_tests
    worth = [test for test in tests if test.saves > NO_SAVING or (rule and test.informs_or_proves)]
    fits = [repair for repair in repairs if repair.proven or repair.looks_further or not (rule and worth)]
    repair = next(iter(fits), None)
    if worth and (repair is None or worth[0].expected <= repair.expected):
        return Advice(worth[0], None, tests, repairs, without, False, worth[0].words)
    return Advice(
        None, repair, tests, repairs, without, not worth, repair_words(repair, at.prices, worth_testing=bool(worth))
    )


def repair_words(repair: RepairOption | None, prices: Prices, *, worth_testing: bool) -> str:
    """One sentence on the repair to be made; ``worth_testing`` says whether some test is still worth its minutes."""
    if repair is None:
        return "Nothing left worth testing, and nothing left to put right."
    first = "" if worth_testing else "Nothing left worth testing: "
    if repair.looks_further:
        return (
            f"{first}look further; that the cause is none of those listed has a probability of {_chance(repair.cures)}."
        )
    what = repair.correction or "Put right what is most likely."
    weak = " It has not been proven." if prices.prove_first and not repair.proven else ""
    return f"{first}{what} It cures with a probability of {_chance(repair.cures)}.{weak}"


def _chance(probability: float) -> str:
    """In whole percent; nothing is certain, and nothing is out of the question."""
    if probability >= 0.995:
        return "more than 99%"
    return f"{probability:.0%}" if probability >= 0.005 else "less than 1%"


def _minutes(minutes: float) -> str:
    return "1 minute" if round(minutes) == 1 else f"{minutes:.0f} minutes"
