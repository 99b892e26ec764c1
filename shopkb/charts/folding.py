"""A chart with parts folded: steps of one circuit that hang together become one card that says what is in it.

The circuit of a step is the system that its component belongs to. Only steps are folded together between which no way
leads outside and back, so that folding never makes a loop.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from shopkb.charts.branch_notes import BranchKey, BranchNote
from shopkb.charts.view import ChartOptions, Fold
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome, Step, TestKind
from shopkb.core.flow.paths import order

GRAVEST_FIRST = ("DANGER", "WARNING", "CAUTION", "NOTICE")


@dataclass(frozen=True, slots=True)
class FoldGroup:
    """Steps of one circuit that can be folded: the circuit's path, and their keys in order."""

    circuit: str
    steps: tuple[str, ...]

    @property
    def key(self) -> str:
        """The name under which the folded card stands for them."""
        return f"fold-{self.steps[0]}"


def circuit_of(flow: Flow, step: Step) -> str:
    """Path of the system that a step's component belongs to; of the procedure's system where it has none."""
    path = step.at or flow.system
    return path.rpartition("/")[0] or path


def blocks(flow: Flow) -> tuple[FoldGroup, ...]:
    """All that can be folded, two steps at least, in the order of their first steps. O(steps x branches)."""
    holder = {key: key for key in flow.step_by_key}
    arrows = [(step.key, one.go.key) for step, one in flow.branches if one.go.key in flow.step_by_key]
    arrows = [(tail, head) for tail, head in arrows if tail != head]
    looped = not _is_acyclic(holder, arrows)
    for key in order(flow):
        for tail, head in arrows:
            if head != key or holder[tail] == holder[key] or looped:
                continue
            if circuit_of(flow, flow.step_by_key[tail]) != circuit_of(flow, flow.step_by_key[key]):
                continue
            joined = {one: holder[tail] if held == holder[key] else held for one, held in holder.items()}
            if _is_acyclic(joined, arrows):
                holder = joined
    found: dict[str, list[str]] = {}
    for key in order(flow):
        found.setdefault(holder[key], []).append(key)
    return tuple(
        FoldGroup(circuit_of(flow, flow.step_by_key[keys[0]]), tuple(keys)) for keys in found.values() if len(keys) > 1
    )


def _is_acyclic(holder: Mapping[str, str], arrows: Sequence[tuple[str, str]]) -> bool:
    """Whether no loop is left where all steps of one holder are one (A. Kahn, 1962)."""
    outer = {(holder[tail], holder[head]) for tail, head in arrows if holder[tail] != holder[head]}
    waits = dict.fromkeys(holder.values(), 0)
    following: dict[str, list[str]] = {}
    for tail, head in outer:
        waits[head] += 1
        following.setdefault(tail, []).append(head)
    ready = [one for one, count in waits.items() if not count]
    done = 0
    while ready:
        done += 1
        for head in following.get(ready.pop(), ()):
            waits[head] -= 1
            if not waits[head]:
                ready.append(head)
    return done == len(waits)


def folded(flow: Flow, options: ChartOptions, keys: Collection[str]) -> tuple[Flow, ChartOptions]:
    """The flow to draw where the blocks with these keys are folded, and what is shown beside it."""
    chosen = [block for block in blocks(flow) if block.key in keys]
    if not chosen:
        return flow, options
    stands_for = {key: block.key for block in chosen for key in block.steps}
    made: dict[str, Step] = {}
    notes: dict[BranchKey, BranchNote] = dict(options.notes)
    for block in chosen:
        step, its_notes = _card(flow, options, block, stands_for)
        made[block.key] = step
        notes |= its_notes
    steps: dict[str, Step] = {}
    for step in flow.steps:
        held = stands_for.get(step.key)
        steps[held or step.key] = made[held] if held else _led(step, stands_for)
    folds = {block.key: _fold(flow, options, block) for block in chosen}
    signals = {
        block.key: min(words, key=GRAVEST_FIRST.index)
        for block in chosen
        if (words := [options.signals[key] for key in block.steps if key in options.signals])
    }
    numbers = {key: str(number) for key, number in flow.number_by_step.items()}
    view = replace(
        options,
        notes=notes,
        folds=folds,
        numbers={**numbers, **{key: fold.numbers for key, fold in folds.items()}},
        signals={**options.signals, **signals},
        path=[(stands_for.get(step, step), outcome) for step, outcome in options.path],
        now=stands_for.get(options.now, options.now),
    )
    return replace(flow, steps=tuple(steps.values()), start=stands_for.get(flow.start, flow.start)), view


def _led(step: Step, stands_for: Mapping[str, str]) -> Step:
    """A step whose outcomes lead to folded cards where their steps are folded."""
    outcomes = tuple(
        replace(one, go=Go(GoKind.STEP, stands_for[one.go.key])) if one.go.key in stands_for else one
        for one in step.outcomes
    )
    return replace(step, outcomes=outcomes)


def _card(
    flow: Flow, options: ChartOptions, block: FoldGroup, stands_for: Mapping[str, str]
) -> tuple[Step, dict[BranchKey, BranchNote]]:
    """The folded card: a row for each step it leads to, one for all causes in it, one for all else it ends with."""
    rows: dict[str, list[tuple[Step, Outcome]]] = {}
    for step, outcome in flow.branches:
        if step.key not in block.steps or outcome.go.key in block.steps:
            continue
        leads_on = outcome.go.kind is GoKind.STEP and outcome.go.key in flow.step_by_key
        end = "causes" if outcome.go.kind is GoKind.CAUSE else "elsewhere"
        rows.setdefault(stands_for.get(outcome.go.key, outcome.go.key) if leads_on else f"ends-{end}", []).append(
            (step, outcome)
        )
    outcomes, notes = [], {}
    for key, into in sorted(rows.items(), key=lambda row: row[0].startswith("ends-")):
        outcomes.append(_row(flow, key, into))
        traffic = sum(
            options.notes[step.key, one.key].traffic for step, one in into if (step.key, one.key) in options.notes
        )
        notes[block.key, key] = BranchNote(0, 0, traffic)
    minutes = sum(flow.step_by_key[key].minutes or 0 for key in block.steps)
    return Step(block.key, "", TestKind.ACTION, tuple(outcomes), minutes=minutes or None), notes


def _row(flow: Flow, key: str, into: Sequence[tuple[Step, Outcome]]) -> Outcome:
    if key == "ends-causes":
        return Outcome(key, f"ends with {_many(len({one.go.key for _, one in into}), 'cause')}", Go(GoKind.OUT))
    if key == "ends-elsewhere":
        return Outcome(key, "leaves, or goes on elsewhere", Go(GoKind.OUT))
    first = into[0][1]
    return Outcome(key, f"goes on: {flow.step_by_key[first.go.key].title}", Go(GoKind.STEP, key))


def _fold(flow: Flow, options: ChartOptions, block: FoldGroup) -> Fold:
    inside = set(block.steps)
    causes = {one.go.key for step, one in flow.branches if step.key in inside and one.go.kind is GoKind.CAUSE}
    into = [
        options.notes[step.key, one.key].traffic
        for step, one in flow.branches
        if one.go.key in inside and step.key not in inside and (step.key, one.key) in options.notes
    ]
    started = flow.start in inside
    jobs = (
        sum(note.traffic for (step, _), note in options.notes.items() if step == flow.start) if started else sum(into)
    )
    numbers = sorted(flow.number_by_step[key] for key in block.steps)
    run = numbers[-1] - numbers[0] == len(numbers) - 1
    name = options.circuits.get(block.circuit) or block.circuit.rpartition("/")[2].replace("-", " ")
    facts = [_many(len(inside), "step"), _many(len(causes), "cause")]
    if options.notes:
        facts.append(_many(jobs, "job"))
    return Fold(name, f"{numbers[0]}–{numbers[-1]}" if run else f"{numbers[0]}…", ", ".join(facts))


def _many(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"
