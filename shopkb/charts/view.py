"""What is shown of a flow beside the flow itself, the ids of what is drawn, and the inks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from shopkb.charts.branch_notes import BranchKey, BranchNotes
from shopkb.core.flow.comparison.merged_diff import Change
from shopkb.core.flow.model import Cause, Flow, GoKind, Outcome, Step
from shopkb.core.flow.names import last_part

FONTS = "Atkinson Hyperlegible Next,DejaVu Sans,Verdana,Arial,sans-serif"
INK, SOFT, FAINT = "#16202B", "#44505C", "#7A8590"
CARD, TINT, AMBER = "#FFFFFF", "#E6EFF1", "#F2B84B"
LABEL_SIZE = 12.0
YOU_ARE_HERE = "you are here"
CHANGE_SIGNS = {Change.ADDED: "+", Change.TAKEN_OUT: "−", Change.CHANGED: "~", Change.MOVED: "→"}


@dataclass(frozen=True, slots=True)
class Fold:
    """A folded card: the name of its circuit, the numbers of its steps, and what is in it in words."""

    name: str
    numbers: str
    facts: str


@dataclass(frozen=True)
class ChartOptions:
    """What a chart shows beside the flow itself.

    Args:
        notes: evidence by (step key, outcome key).
        path: the branches a job has taken; the rest is thinned.
        now: key of the step a job stands at.
        links: addresses on this site, starting with one slash, by step key, cause key or, for a hand-over, its
            ``Go.text()``.
        titles: titles of other procedures by key, for hand-overs.
        possible: probability by cause key, 0 to 1; causes that are left out get no probability.
        components: names of components by path; without one, the last part of the path is used.
        access: names of set-up states by key.
        circuits: names of the systems that steps are folded by, by path.
        folds: what folded cards say, by the key of the step that stands for them.
        numbers: numbers of steps as they are shown, by key, where they are not those of the flow.
        changes: what became of steps, by (step key, empty), and outcomes, where two revisions are drawn as one.
        signals: the gravest signal word (ANSI Z535.6) of each step that has a caution, by step key.
    """

    notes: BranchNotes = field(default_factory=dict)
    path: Sequence[BranchKey] = ()
    now: str = ""
    links: Mapping[str, str] = field(default_factory=dict)
    titles: Mapping[str, str] = field(default_factory=dict)
    possible: Mapping[str, float] = field(default_factory=dict)
    components: Mapping[str, str] = field(default_factory=dict)
    access: Mapping[str, str] = field(default_factory=dict)
    signals: Mapping[str, str] = field(default_factory=dict)
    changes: Mapping[BranchKey, Change] = field(default_factory=dict)
    circuits: Mapping[str, str] = field(default_factory=dict)
    folds: Mapping[str, Fold] = field(default_factory=dict)
    numbers: Mapping[str, str] = field(default_factory=dict)

    def number(self, flow: Flow, step: str) -> str:
        """The number of a step as it is shown."""
        return self.numbers.get(step) or str(flow.number_by_step[step])

    def change_text(self, step: str, outcome: str = "") -> str:
        """``+ added``: sign and word of what became of a step or an outcome; empty where nothing did."""
        change = self.changes.get((step, outcome))
        return f"{CHANGE_SIGNS[change]} {change}" if change else ""

    @cached_property
    def taken(self) -> frozenset[BranchKey]:
        return frozenset(self.path)

    @cached_property
    def visited(self) -> frozenset[str]:
        return frozenset(step for step, _ in self.path)

    @cached_property
    def busiest(self) -> int:
        return max((note.traffic for note in self.notes.values()), default=0)


PLAIN = ChartOptions()
"""The flow alone."""


def edge_id(step: str, outcome: str) -> str:
    """``branch-STEP_OUTCOME``. Keys hold hyphens and no underscore, so that two branches never share an id."""
    return f"branch-{step}_{outcome}"


def end_id(flow: Flow, step: Step, outcome: Outcome) -> str:
    """The id of the node that a branch leads to. An end stands beside each step that reaches it, not once for all."""
    go = outcome.go
    if go.kind is GoKind.STEP and go.key in flow.step_by_key:
        return f"step-{go.key}"
    if go.kind is GoKind.CAUSE and go.key in flow.cause_by_key:
        return f"cause-{step.key}_{go.key}"
    if go.kind is GoKind.HAND_OVER and go.key:
        return f"hand-over-{step.key}_{go.key}"
    return f"{'out' if go.kind is GoKind.OUT else 'nowhere'}-{step.key}_{outcome.key}"


def cause_label(cause: Cause, view: ChartOptions) -> str:
    """``fan motor, open circuit``."""
    name = view.components.get(cause.component) or last_part(cause.component)
    return f"{name}, {cause.mode}" if cause.mode else name


def site_path(address: str) -> str:
    """The address, if it is a path on this site.

    Raises:
        ValueError: it has a scheme or a host, or could be read as having one.
    """
    # Browsers drop tabs and line ends and take a backslash for a slash when they look for a host.
    hides = any(character.isspace() or not character.isprintable() or character == "\\" for character in address)
    if hides or not address.startswith("/") or address.startswith("//"):
        raise ValueError(f"A chart links only to paths on this site, such as /procedures/horn/, not to {address!r}")
    return address
