"""One revision of a procedure as frozen values.

Everything that reads, writes, checks, draws, appraises, replays, edits or follows a procedure takes a :class:`Flow`.
A flow may be a faulty draft (an outcome that leads nowhere, a loop): structure is held here, sense is checked in
:mod:`shopkb.core.flow.checks`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from shopkb.core.readings.bands import Band
from shopkb.core.readings.units import Quantity


class TestKind(StrEnum):
    """How a step finds something out. The words stand in the procedure file as they are."""

    __test__ = False  # not a pytest class

    LOOK = "look"
    LISTEN = "listen"
    FEEL = "feel"
    QUESTION = "question"
    COMMAND = "command"
    MEASURE = "measure"
    SUBSTITUTE = "substitute"
    POWER_DIRECTLY = "power-directly"
    ACTION = "action"


class Proof(StrEnum):
    """How an end's cause was proven, strongest last. Elimination alone is weak and is said to be."""

    ELIMINATION = "elimination"
    SEEN = "seen"
    MEASURED = "measured"
    SUBSTITUTED = "substituted"


class Usual(StrEnum):
    """What the writer believes of a cause before any job was closed."""

    COMMON = "common"
    OCCASIONAL = "occasional"
    RARE = "rare"


class GoKind(StrEnum):
    """What an outcome leads to."""

    STEP = "step"
    CAUSE = "cause"
    HAND_OVER = "hand-over"
    OUT = "out"
    NOWHERE = "nowhere"  # drafts only: a key that is neither a step nor a cause, or nothing said yet


@dataclass(frozen=True, slots=True)
class Go:
    """Where an outcome leads. ``key`` is a step, cause or procedure key; empty for ``out``."""

    kind: GoKind
    key: str = ""

    def text(self) -> str:
        """The form used in the procedure file: ``KEY``, ``hand-over PROCEDURE`` or ``out``."""
        if self.kind is GoKind.OUT:
            return "out"
        return f"hand-over {self.key}" if self.kind is GoKind.HAND_OVER else self.key


@dataclass(frozen=True, slots=True)
class AskedValue:
    """A value asked once a run. ``low`` and ``high`` bound what can be true, in any unit of its quantity."""

    key: str
    ask: str
    unit: str
    low: Quantity | None = None
    high: Quantity | None = None


@dataclass(frozen=True, slots=True)
class ComputedValue:
    """A value from a named computation (:mod:`shopkb.core.readings.expected`).

    ``inputs`` holds (input name, text) pairs as typed: a quantity (``1.5 mm2``), a plain number or word, or the key
    of another value of the flow.
    """

    key: str
    compute: str
    inputs: tuple[tuple[str, str], ...] = ()


Value = AskedValue | ComputedValue


def cause_identity(component: str, mode: str) -> str:
    """The same text for the same cause in every procedure and shop: ``body/horn/horn#open circuit``."""
    return f"{component}#{mode.strip().lower()}"


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause this procedure can prove: a component and its failure mode, with what putting it right takes."""

    key: str
    component: str
    mode: str
    usual: Usual = Usual.OCCASIONAL
    correction: str = ""
    minutes: float | None = None
    price: float | None = None
    also: str = ""

    @property
    def identity(self) -> str:
        """See :func:`cause_identity`."""
        return cause_identity(self.component, self.mode)


@dataclass(frozen=True, slots=True)
class ReadingSpec:
    """What a step measures: quantity and display unit, the two points, and whether the circuit carries its load."""

    quantity: str
    unit: str
    between: tuple[str, ...] = ()
    loaded: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """One possible result of a step: the branch."""

    key: str
    label: str
    go: Go
    band: Band | None = None
    proof: Proof | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One test or one action. ``at`` is a path in the systems tree, ``access`` a set-up state of the catalog."""

    key: str
    title: str
    test: TestKind
    outcomes: tuple[Outcome, ...]
    at: str = ""
    access: str = ""
    minutes: float | None = None
    instruction: str = ""
    tools: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    isolates: tuple[str, ...] = ()
    picture: str = ""
    reading: ReadingSpec | None = None

    def outcome(self, key: str) -> Outcome:
        """The outcome with this key.

        Raises:
            KeyError: the step has no such outcome.
        """
        for outcome in self.outcomes:
            if outcome.key == key:
                return outcome
        raise KeyError(key)


@dataclass(frozen=True)
class Flow:
    """One revision of a procedure. Keys of steps and causes are unique over both; order is the writer's."""

    procedure: str
    title: str
    system: str
    start: str
    steps: tuple[Step, ...]
    causes: tuple[Cause, ...] = ()
    values: tuple[Value, ...] = ()
    symptoms: tuple[str, ...] = ()
    codes: tuple[str, ...] = ()
    platforms: tuple[str, ...] = ("any",)
    summary: str = ""
    verify: str = ""

    @cached_property
    def step_by_key(self) -> dict[str, Step]:
        return {step.key: step for step in self.steps}

    @cached_property
    def cause_by_key(self) -> dict[str, Cause]:
        return {cause.key: cause for cause in self.causes}

    @cached_property
    def value_by_key(self) -> dict[str, Value]:
        return {value.key: value for value in self.values}

    @cached_property
    def number_by_step(self) -> dict[str, int]:
        """Step numbers as people say them, from 1, in the writer's order."""
        return {step.key: number for number, step in enumerate(self.steps, start=1)}
