"""One revision of a procedure as frozen values.

Everything that reads, writes, checks, draws, appraises, replays, edits or follows a procedure takes a :class:`Flow`.
A flow may be a faulty draft (an outcome that leads nowhere, a loop): structure is held here, sense is checked in
:mod:`shopkb.core.flow.checks`. The metadata of a field say how it is read, written, compared and edited.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property

from shopkb.core.flow.circuit_forms import Join, Setting
from shopkb.core.flow.circuit_spec import CircuitSpec, FaultSpec
from shopkb.core.flow.fields import Compared, Kind, spec
from shopkb.core.readings.bands import Band
from shopkb.core.readings.quantities import Quantity


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
    ask: str = field(metadata=spec(Kind.LINE, "the question put to the technician, once a run", label="Asked as"))
    unit: str = field(metadata=spec(Kind.UNIT, "the unit of the answer", label="Unit"))
    low: Quantity | None = field(
        default=None, metadata=spec(Kind.QUANTITY, "the lowest it can be", name="from", label="Lowest")
    )
    high: Quantity | None = field(
        default=None, metadata=spec(Kind.QUANTITY, "the highest it can be", name="to", label="Highest")
    )


@dataclass(frozen=True, slots=True)
class ComputedValue:
    """A value from a named computation (:mod:`shopkb.core.readings.expected`).

    ``inputs`` holds (input name, text) pairs as typed: a quantity (``1.5 mm2``), a plain number or word, or the key
    of another value of the flow.
    """

    key: str
    compute: str = field(
        metadata=spec(Kind.KEY, "name of the computation; its inputs stand beside it", label="Computed by")
    )
    inputs: tuple[tuple[str, str], ...] = field(
        default=(), metadata=spec(Kind.INPUTS, "what the computation is given", label="Its inputs")
    )


Value = AskedValue | ComputedValue


def cause_identity(component: str, mode: str) -> str:
    """The same text for the same cause in every procedure and shop: ``body/horn/horn#open circuit``."""
    return f"{component}#{mode.strip().lower()}"


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause this procedure can prove: a component and its failure mode, with what putting it right takes."""

    key: str
    component: str = field(
        metadata=spec(Kind.PATH, "path of the component that failed", label="Component", compared=Compared.MEANING)
    )
    mode: str = field(
        metadata=spec(
            Kind.LINE, "how it failed, such as open circuit", label="How it fails", typed=True,
            compared=Compared.MEANING, fact="failure mode", folded=True,
        )
    )  # fmt: skip
    usual: Usual = field(
        default=Usual.OCCASIONAL,
        metadata=spec(Kind.USUAL, "believed before any job was closed", label="How common", typed=True),
    )
    correction: str = field(default="", metadata=spec(Kind.PROSE, "what puts it right", label="Correction", typed=True))
    minutes: float | None = field(
        default=None, metadata=spec(Kind.MINUTES, "usual time for the correction", label="Minutes", typed=True)
    )
    price: float | None = field(
        default=None, metadata=spec(Kind.PRICE, "of the part, in the shop's currency", label="Price", typed=True)
    )
    also: str = field(
        default="",
        metadata=spec(
            Kind.PROSE, "the root cause, and what else to check", label="Root cause, and what else to check", typed=True
        ),
    )
    shows: Quantity | None = field(
        default=None,
        metadata=spec(
            Kind.QUANTITY, "of a cause that comes and goes: how often it shows when it is tried once, such as 30 %",
            label="Shows in one try", typed=True,
        ),
    )  # fmt: skip
    fault: FaultSpec | None = field(
        default=None,
        metadata=spec(Kind.GROUP, "what it is in the circuit", of=FaultSpec),
    )

    @property
    def identity(self) -> str:
        """See :func:`cause_identity`."""
        return cause_identity(self.component, self.mode)


@dataclass(frozen=True, slots=True)
class ReadingSpec:
    """What a step measures: quantity and display unit, the two points, and whether the circuit carries its load."""

    quantity: str = field(
        metadata=spec(Kind.QUANTITY_NAME, "what is measured", label="Quantity", compared=Compared.MEANING)
    )
    unit: str = field(metadata=spec(Kind.UNIT, "the unit shown and typed", label="Unit"))
    between: tuple[str, ...] = field(
        default=(),
        metadata=spec(
            Kind.LINE, "the points the meter is put to, one or two", limit=2, label="From, to",
            compared=Compared.MEANING, fact="measured between", joint=" and ",
        ),
    )  # fmt: skip
    loaded: bool = field(
        default=False,
        metadata=spec(
            Kind.TRUTH, "true when the circuit carries its working current meanwhile",
            compared=Compared.MEANING, fact="load", words=("without load", "with load"),
        ),
    )  # fmt: skip
    plausible: Band | None = field(
        default=None,
        metadata=spec(
            Kind.BAND, "the readings that can be expected here, such as 0 bar .. 3 bar; one outside is asked for again",
            label="Can be expected", fact="expected readings",
        ),
    )  # fmt: skip
    probes: tuple[Join, ...] = field(
        default=(),
        metadata=spec(
            Kind.JOIN, "points of the circuit, red to black; of several the highest is typed in", limit=4,
            label="Red and black in the circuit",
        ),
    )  # fmt: skip
    through: str = field(
        default="",
        metadata=spec(
            Kind.KEY, "part of the circuit that the clamp is around; lead for the step's own", label="Clamp around",
        ),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Outcome:
    """One possible result of a step: the branch."""

    key: str
    label: str = field(
        metadata=spec(Kind.LINE, "the result in the words a technician would use", label="Outcome", typed=True)
    )
    go: Go = field(
        metadata=spec(
            Kind.GO, "a step, a cause, hand-over PROCEDURE, or out", label="Leads to", place=1.5,
            compared=Compared.DESTINATION, fact="leads to",
        )
    )  # fmt: skip
    band: Band | None = field(
        default=None,
        metadata=spec(
            Kind.BAND, "the readings that give this outcome", label="Readings", place=1, typed=True,
            compared=Compared.MEANING,
        ),
    )  # fmt: skip
    proof: Proof | None = field(
        default=None,
        metadata=spec(
            Kind.PROOF, "how the cause is proven; for an end that names a cause", label="Proof", typed=True,
            compared=Compared.DESTINATION,
        ),
    )  # fmt: skip
    note: str = field(
        default="", metadata=spec(Kind.PROSE, "what to write down or tell the customer", label="Note", typed=True)
    )
    finding: str = field(
        default="",
        metadata=spec(
            Kind.LINE, "a fault in itself, which the job keeps open whatever else is found", label="Finding",
            typed=True, compared=Compared.MEANING, fact="finding",
        ),
    )  # fmt: skip


LIST_LIMIT = 60
"""Entries a list of a step or of a procedure may have."""


@dataclass(frozen=True, slots=True)
class Step:
    """One test or one action. ``at`` is a path in the systems tree, ``access`` a set-up state of the catalog."""

    key: str
    title: str = field(metadata=spec(Kind.LINE, "the test in one line", label="Title", typed=True))
    test: TestKind = field(
        metadata=spec(
            Kind.TEST, "how it finds something out", label="Kind of test", typed=True, compared=Compared.MEANING
        )
    )
    outcomes: tuple[Outcome, ...] = field(
        metadata=spec(
            Kind.GROUP, "what can be found, by key; each is a branch", label="What can be found", limit=12, place=99,
            compared=Compared.NOT,
        )
    )  # fmt: skip
    at: str = field(
        default="",
        metadata=spec(
            Kind.PATH, "path of the component worked on; it brings its hazards", label="Component", typed=True,
            compared=Compared.MEANING, fact="component",
        ),
    )  # fmt: skip
    access: str = field(
        default="",
        metadata=spec(
            Kind.KEY, "set-up state from the catalog; reaching it costs its minutes once", label="Access", typed=True
        ),
    )
    minutes: float | None = field(
        default=None, metadata=spec(Kind.MINUTES, "usual time for the test itself", label="Minutes", typed=True)
    )
    needs: tuple[str, ...] = field(
        default=(),
        metadata=spec(
            Kind.NODE_KEY, "steps that must have been done before", limit=LIST_LIMIT,
            label="Steps that must have been done before",
        ),
    )  # fmt: skip
    tools: tuple[str, ...] = field(
        default=(),
        metadata=spec(
            Kind.LINE, "tools to bring", limit=LIST_LIMIT, label="Tools", typed=True,
            more="Tools, with semicolons between",
        ),
    )  # fmt: skip
    cautions: tuple[str, ...] = field(
        default=(),
        metadata=spec(Kind.KEY, "cautions from the catalog, shown first", limit=LIST_LIMIT, label="Cautions"),
    )
    isolates: tuple[str, ...] = field(
        default=(),
        metadata=spec(
            Kind.LINE, "what is unplugged first, asked back at the end; power-directly needs it", limit=LIST_LIMIT,
            label="What is unplugged first", typed=True, more="What is unplugged first",
        ),
    )  # fmt: skip
    state: tuple[Setting, ...] = field(
        default=(),
        metadata=spec(
            Kind.SETTING, "what is commanded, pressed or switched in the circuit", limit=LIST_LIMIT,
            label="Switched in the circuit", typed=True,
            more="Switched in the circuit, such as relay closed; button open",
        ),
    )  # fmt: skip
    leads: tuple[Join, ...] = field(
        default=(),
        metadata=spec(
            Kind.JOIN, "what the step joins by a lead or a test lamp", limit=4, label="Leads laid in the circuit",
            typed=True, more="Leads laid in the circuit, such as battery+ to feed; a lamp: feed to battery- by 6 ohm",
        ),
    )  # fmt: skip
    trials: Quantity | None = field(
        default=None,
        metadata=spec(
            Kind.QUANTITY, "how often it is tried, such as 10 times; a reading in times counts the tries that failed",
            label="Tries", typed=True, compared=Compared.MEANING, fact="tries", more="Tries, such as 10 times",
        ),
    )  # fmt: skip
    picture: str = field(
        default="",
        metadata=spec(Kind.LINE, "file name of a picture or drawing", label="Picture", typed=True, more="Picture"),
    )
    reading: ReadingSpec | None = field(
        default=None,
        metadata=spec(
            Kind.GROUP, "what is measured; a measuring step needs it", label="What is measured", of=ReadingSpec
        ),
    )
    instruction: str = field(
        default="",
        metadata=spec(
            Kind.PROSE,
            "what to do, in Markdown; below a line --- why, and what a reading means",
            label="What to do",
            typed=True,
        ),
    )

    def outcome(self, key: str) -> Outcome:
        """The outcome with this key.

        Raises:
            KeyError: the step has no such outcome.
        """
        for outcome in self.outcomes:
            if outcome.key == key:
                return outcome
        raise KeyError(key)


STEP_LIMIT = 200
"""Steps a procedure may have; causes likewise."""


@dataclass(frozen=True)
class Flow:
    """One revision of a procedure. Keys of steps and causes are unique over both; order is the writer's."""

    procedure: str = field(metadata=spec(Kind.KEY, "key of the procedure; never changes", compared=Compared.NOT))
    title: str = field(metadata=spec(Kind.LINE, "the complaint or task in one line", label="Title", typed=True))
    system: str = field(metadata=spec(Kind.PATH, "path in the systems tree", label="Vehicle system", typed=True))
    start: str = field(metadata=spec(Kind.NODE_KEY, "key of the first step", label="First step", place=98, typed=True))
    steps: tuple[Step, ...] = field(
        metadata=spec(Kind.GROUP, "the steps, by key", limit=STEP_LIMIT, place=99, compared=Compared.NOT)
    )
    causes: tuple[Cause, ...] = field(
        default=(),
        metadata=spec(
            Kind.GROUP, "what this procedure can prove, by key", limit=STEP_LIMIT, place=91, compared=Compared.NOT
        ),
    )
    values: tuple[Value, ...] = field(
        default=(),
        metadata=spec(
            Kind.GROUP,
            "asked once a run, or computed; usable in bands",
            limit=LIST_LIMIT,
            place=90,
            compared=Compared.NOT,
        ),
    )
    circuit: CircuitSpec | None = field(
        default=None,
        metadata=spec(Kind.GROUP, "the circuit its steps measure", label="Circuit", place=90.5, of=CircuitSpec),
    )
    symptoms: tuple[str, ...] = field(
        default=(),
        metadata=spec(Kind.KEY, "symptoms of the catalog it is for", limit=LIST_LIMIT, label="Symptoms"),
    )
    codes: tuple[str, ...] = field(
        default=(),
        metadata=spec(
            Kind.CODE,
            "fault codes that point here (ISO 15031-6)",
            limit=LIST_LIMIT,
            label="Fault codes",
            typed=True,
        ),
    )
    platforms: tuple[str, ...] = field(
        default=("any",),
        metadata=spec(Kind.PATH, "paths in the platform tree it is for, or any", limit=LIST_LIMIT, label="Platforms"),
    )
    summary: str = field(
        default="",
        metadata=spec(
            Kind.PROSE, "what it does, for someone who chooses among procedures", label="Summary", typed=True
        ),
    )
    verify: str = field(
        default="",
        metadata=spec(
            Kind.PROSE, "how to prove the cure: the conditions of the complaint, repeated",
            label="How the cure is verified", typed=True,
        ),
    )  # fmt: skip

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

    @cached_property
    def branches(self) -> tuple[tuple[Step, Outcome], ...]:
        """Every outcome with its step, in the writer's order."""
        return tuple((step, outcome) for step in self.steps for outcome in step.outcomes)
