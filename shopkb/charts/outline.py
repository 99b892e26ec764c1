"""The chart's content as a nested list: for screen readers, and for a computer without Graphviz.

Every step stands once in full, where it is first led to; later mentions say where. What the drawing says by width,
dash or ink is said in words.
"""

from __future__ import annotations

from dataclasses import dataclass

from shopkb.charts.branch_notes import BranchNote, jobs_text, possibility_text, rate_text
from shopkb.charts.labels import TEST_KIND_NAMES, proof_label
from shopkb.charts.view import PLAIN, YOU_ARE_HERE, ChartOptions, cause_label
from shopkb.charts.way import rules_nothing_out
from shopkb.core.flow.model import Flow, GoKind, Outcome, Step

MOST_NESTED = 8


@dataclass(frozen=True, slots=True)
class OutlineBranch:
    """One branch of a step.

    Attributes:
        key: the outcome's key.
        label: the outcome's label.
        rate_text: ``30 of 41 jobs``, ``44 jobs`` where the branch rules nothing out, or ``no jobs yet``.
        goes_to_words: ``step 7``, ``step 7, above``, ``step 7, below``, or the end with its proof.
        child: the step it leads to, where this is its first mention.
        seen_before: it leads to a step that stands in full above.
        taken: a job's path follows it.
        marks_words: ``taken on this job``, or empty.
    """

    key: str
    label: str
    rate_text: str
    goes_to_words: str
    child: OutlineStep | None
    seen_before: bool
    taken: bool = False
    marks_words: str = ""


@dataclass(frozen=True, slots=True)
class OutlineStep:
    """One step with all its branches. ``marks_words`` is ``you are here``, ``done on this job`` or empty."""

    number: int
    key: str
    title: str
    kind_name: str
    branches: tuple[OutlineBranch, ...]
    now: bool = False
    taken: bool = False
    marks_words: str = ""


def outline(flow: Flow, options: ChartOptions = PLAIN) -> tuple[OutlineStep, ...]:
    """The steps as nested lists: first the start, then what it left for later, then what nothing leads to.

    Lists are nested eight deep at most, since no one can follow more by ear: a step further down stands in the
    outermost list, and its branch says ``step 12, below``. A loop in a draft ends at ``step 3, above``.
    """
    return _Outliner(flow, options).roots()


class _Outliner:
    """Walks a flow depth first and remembers which steps are listed already."""

    def __init__(self, flow: Flow, view: ChartOptions) -> None:
        self.flow = flow
        self.view = view
        self.listed: set[str] = set()
        self.later: dict[str, Step] = {}
        self.visited = frozenset(step for step, _ in view.path)

    def roots(self) -> tuple[OutlineStep, ...]:
        """The start, what was left for later, and whatever neither reaches."""
        steps = self.flow.steps
        start = [self.flow.step_by_key[self.flow.start]] if self.flow.start in self.flow.step_by_key else []
        led_to = {outcome.go.key for step in steps for outcome in step.outcomes}
        unled = [step for step in steps if step.key not in led_to]
        found: list[OutlineStep] = []
        for step in (*start, *unled, *steps):  # the last for loops that nothing leads into
            self.later[step.key] = step
            while self.later:
                following = self.later.pop(next(iter(self.later)))
                if following.key not in self.listed:
                    found.append(self.step(following, 1))
        return tuple(found)

    def step(self, step: Step, depth: int) -> OutlineStep:
        """One step in full."""
        self.listed.add(step.key)
        self.later.pop(step.key, None)
        here = step.key == self.view.now
        done = step.key in self.visited
        return OutlineStep(
            number=self.flow.number_by_step[step.key],
            key=step.key,
            title=step.title,
            kind_name=TEST_KIND_NAMES[step.test],
            branches=tuple(self.branch(step, outcome, depth) for outcome in step.outcomes),
            now=here,
            taken=done,
            marks_words=YOU_ARE_HERE if here else "done on this job" if done else "",
        )

    def branch(self, step: Step, outcome: Outcome, depth: int) -> OutlineBranch:
        """One branch, with the step it leads to if that has not been told yet."""
        target = self.flow.step_by_key.get(outcome.go.key) if outcome.go.kind is GoKind.STEP else None
        seen = target is not None and target.key in self.listed
        taken = (step.key, outcome.key) in self.view.taken
        child = None
        if target is None:
            words = _end_words(self.flow, outcome, self.view)
        else:
            words = f"step {self.flow.number_by_step[target.key]}"
            if seen:
                words += ", above"
            elif depth < MOST_NESTED:
                child = self.step(target, depth + 1)
            else:
                self.later.setdefault(target.key, target)
                words += ", below"
        return OutlineBranch(
            key=outcome.key,
            label=outcome.label,
            rate_text=_rate(self.view.notes.get((step.key, outcome.key)), rules_nothing_out(self.flow, step, outcome)),
            goes_to_words=words,
            child=child,
            seen_before=seen,
            taken=taken,
            marks_words="taken on this job" if taken else "",
        )


def _rate(note: BranchNote | None, says_nothing: bool) -> str:
    if note is None or not note.jobs:
        return "no jobs yet"
    if says_nothing:
        cured = f", first repair cured {note.cured_first} of {note.verified}" if note.verified else ""
        return f"{jobs_text(note)}{cured}"
    return f"{rate_text(note)} {'job' if note.jobs == 1 else 'jobs'}"


def _end_words(flow: Flow, outcome: Outcome, view: ChartOptions) -> str:
    go = outcome.go
    if go.kind is GoKind.CAUSE and go.key in flow.cause_by_key:
        words = f"cause: {cause_label(flow.cause_by_key[go.key], view)}; {proof_label([outcome.proof])}"
        return f"{words}; {possibility_text(view.possible[go.key])}" if go.key in view.possible else words
    if go.kind is GoKind.HAND_OVER and go.key:
        return f"go on with the procedure: {view.titles.get(go.key) or go.key.replace('-', ' ')}"
    if go.kind is GoKind.OUT:
        return f"leave: {outcome.note}" if outcome.note else "leave without a cause"
    return f"leads nowhere: no step or cause {go.key}" if go.key else "leads nowhere yet"
