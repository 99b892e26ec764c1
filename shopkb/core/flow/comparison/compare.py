"""Two revisions of a procedure held against each other: what was kept, changed, added and removed.

Evidence hangs on the keys of steps and outcomes. A key whose meaning changed would carry evidence for something else,
so such a change is told apart from a mere rewording.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TypeVar

from shopkb.core.flow.circuit_spec import CircuitSpec
from shopkb.core.flow.fields import Compared, FileField, Kind, file_fields
from shopkb.core.flow.file.writer import group_tree
from shopkb.core.flow.model import AskedValue, Cause, Flow, Go, GoKind, Outcome, ReadingSpec, Step, Value
from shopkb.core.readings.bands import Band
from shopkb.core.readings.expressions import Expression

LONGEST_QUOTED = 60
"""Longest text, in characters, that is shown old and new; of a longer one it is only said that it changed."""


class ChangeKind(StrEnum):
    """What became of one key, gravest first."""

    REMOVED = "removed"
    MEANING = "changed in meaning"
    ADDED = "added"
    REROUTED = "rerouted"
    REWORDED = "reworded"
    KEPT = "kept"


@dataclass(frozen=True, slots=True)
class ItemChange:
    """What became of one step, outcome or cause.

    ``where`` is its place (``steps.supply.outcomes.full``), ``words`` the details, one sentence each. ``step`` and
    ``outcome`` are keys, empty where they do not apply; ``cause`` likewise.
    """

    change: ChangeKind
    where: str
    words: tuple[str, ...] = ()
    step: str = ""
    outcome: str = ""
    cause: str = ""

    @property
    def loses_evidence(self) -> bool:
        """Whether evidence recorded under this key no longer speaks for what stands there now."""
        return self.change in (ChangeKind.REMOVED, ChangeKind.MEANING)

    def text(self) -> str:
        """``steps.supply.outcomes.full rerouted: leads to the step ground, was out``."""
        return f"{self.where} {self.change}: {'; '.join(self.words)}" if self.words else f"{self.where} {self.change}"


@dataclass(frozen=True, slots=True)
class Comparison:
    """All differences between two flows, what was kept included, in the order of the newer flow, removed ones last."""

    steps: tuple[ItemChange, ...]
    outcomes: tuple[ItemChange, ...]
    causes: tuple[ItemChange, ...]
    procedure: tuple[str, ...] = ()

    def of(self, change: ChangeKind) -> tuple[ItemChange, ...]:
        """The differences of one kind: steps, then outcomes, then causes."""
        return tuple(each for each in (*self.steps, *self.outcomes, *self.causes) if each.change is change)

    @property
    def lost(self) -> tuple[ItemChange, ...]:
        """Keys whose evidence no longer speaks."""
        return tuple(each for each in (*self.steps, *self.outcomes, *self.causes) if each.loses_evidence)


def compare(old: Flow, new: Flow) -> Comparison:
    """What became of every step, outcome and cause of ``old``, and what ``new`` added.

    A step changes its meaning with its kind of test, its component, or its reading (quantity, points, load); an
    outcome with its band, with a value its band uses, or with the meaning of its step; a cause with its component or
    failure mode.
    """
    pairs = list(_paired(old.steps, new.steps))
    steps = tuple(_difference(_step_facts(was), _step_facts(now), step=key) for key, was, now in pairs)
    return Comparison(
        steps=steps,
        outcomes=tuple(_outcomes(pairs, steps, old, new)),
        causes=tuple(
            _difference(_cause_facts(was), _cause_facts(now), cause=key)
            for key, was, now in _paired(old.causes, new.causes)
        ),
        procedure=tuple(_changed(_procedure_facts(old), _procedure_facts(new))),
    )


Keyed = TypeVar("Keyed", Step, Outcome, Cause)
Pair = tuple[str, Keyed | None, Keyed | None]


def _paired(old: Iterable[Keyed], new: Iterable[Keyed]) -> Iterator[Pair[Keyed]]:
    """Key, what stood under it, what stands under it now."""
    before = {each.key: each for each in old}
    for each in new:
        yield each.key, before.pop(each.key, None), each
    for each in before.values():
        yield each.key, each, None


def _outcomes(pairs: Iterable[Pair[Step]], steps: Iterable[ItemChange], old: Flow, new: Flow) -> Iterator[ItemChange]:
    for (step, was, now), told in zip(pairs, steps, strict=True):
        for key, before, after in _paired(was.outcomes if was else (), now.outcomes if now else ()):
            facts = _outcome_facts(before, old), _outcome_facts(after, new)
            difference = _difference(*facts, step=step, outcome=key)
            if told.change is ChangeKind.MEANING and before and after:
                words = ("its step changed in meaning", *difference.words)
                difference = replace(difference, change=ChangeKind.MEANING, words=words)
            yield difference


_Facts = dict[Compared, dict[str, str]]
"""What is said under a key, by what a change of it touches."""


def _difference(
    was: _Facts | None, now: _Facts | None, *, step: str = "", outcome: str = "", cause: str = ""
) -> ItemChange:
    place = f"causes.{cause}" if cause else f"steps.{step}.outcomes.{outcome}" if outcome else f"steps.{step}"
    if was is None or now is None:
        change = ChangeKind.ADDED if was is None else ChangeKind.REMOVED
        return ItemChange(change, place, (), step, outcome, cause)
    meaning = _changed(was[Compared.MEANING], now[Compared.MEANING])
    way = _changed(was[Compared.DESTINATION], now[Compared.DESTINATION])
    wording = _changed(was[Compared.WORDING], now[Compared.WORDING])
    change = ChangeKind.KEPT
    if meaning or way or wording:
        change = ChangeKind.MEANING if meaning else ChangeKind.REROUTED if way else ChangeKind.REWORDED
    return ItemChange(change, place, (*meaning, *way, *wording), step, outcome, cause)


def _changed(was: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    """``minutes 4, was 3`` for each fact that differs; a longer text is only named."""
    told = []
    for fact in dict.fromkeys((*was, *now)):
        before, after = was.get(fact, ""), now.get(fact, "")
        if _flat(before) == _flat(after):
            continue
        if len(before) > LONGEST_QUOTED or len(after) > LONGEST_QUOTED or "\n" in before + after:
            told.append(f"{fact} changed")
        else:
            told.append(f"{fact} {after or 'none'}, was {before or 'none'}")
    return told


def _flat(text: str) -> str:
    return " ".join(text.split())


def field_facts(owner: type, value: object | None, into: _Facts | None = None) -> _Facts:
    """What is said in the fields of a value, each by what its change touches; nothing of a value that is not there."""
    facts: _Facts = {compared: {} for compared in Compared} if into is None else into
    for field in file_fields(owner):
        held = None if value is None else getattr(value, field.attribute)
        if field.spec.kind is not Kind.GROUP:
            facts[field.spec.compared][field.spec.fact or field.name] = _fact_text(field, held)
        elif not field.spec.limit:  # what a step measures; other groups are compared key by key
            field_facts(field.spec.of or ReadingSpec, held, facts)
    return facts


def _fact_text(field: FileField, held: object) -> str:
    match held:
        case None:
            return ""
        case bool():
            return field.spec.words[held]
        case float():
            return f"{held:g}"
        case tuple():
            return field.spec.joint.join(map(str, held))
        case Band() | Expression():
            return held.text()
        case Go():
            return _way_text(held)
    return str(held).strip().lower() if field.spec.folded else str(held)


def _step_facts(step: Step | None) -> _Facts | None:
    return None if step is None else field_facts(Step, step)


def _outcome_facts(outcome: Outcome | None, flow: Flow) -> _Facts | None:
    if outcome is None:
        return None
    facts = field_facts(Outcome, outcome)
    for name in sorted(outcome.band.names) if outcome.band else ():
        facts[Compared.MEANING][f"value {name}"] = _value_text(flow.value_by_key.get(name))
    return facts


def _cause_facts(cause: Cause | None) -> _Facts | None:
    return None if cause is None else field_facts(Cause, cause)


def _procedure_facts(flow: Flow) -> Mapping[str, str]:
    values = {f"value {value.key}": _value_text(value) for value in flow.values}
    circuit = {f"circuit {name}": text for name, text in _circuit_texts(flow.circuit)} if flow.circuit else {}
    return field_facts(Flow, flow)[Compared.WORDING] | values | circuit


def _circuit_texts(circuit: CircuitSpec) -> Iterator[tuple[str, str]]:
    """Each part and each named point of a circuit, with its fields in one line."""
    named = [(each.key, group_tree(each)) for each in circuit.parts]
    named += [(each.key, group_tree(each)) for each in circuit.points]
    for key, group in named:
        yield key, ", ".join(f"{name} {text}" for name, text in group.items())


def _way_text(go: Go) -> str:
    """``the step supply``: a key can stand for a step in one revision and for a cause in the next."""
    return f"the {go.kind} {go.key}" if go.kind in (GoKind.STEP, GoKind.CAUSE) else go.text()


def _value_text(value: Value | None) -> str:
    if isinstance(value, AskedValue):
        return f"asked in {value.unit}"
    if value is None:
        return ""
    return ", ".join((value.compute, *(f"{name} {text}" for name, text in value.inputs)))
