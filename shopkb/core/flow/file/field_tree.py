"""A flow's fields as they stand in its file, changed and read again: what every action of the editor is made of."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from shopkb.core.flow.circuit_spec import FaultSpec
from shopkb.core.flow.fields import Kind, file_fields
from shopkb.core.flow.file.reader import read_tree
from shopkb.core.flow.file.writer import flow_tree
from shopkb.core.flow.findings import CheckFinding, Level
from shopkb.core.flow.model import Cause, Flow, Outcome, Proof, ReadingSpec, Step
from shopkb.core.typed_text import quoted

Typed = str | Sequence[str]
Fields = Mapping[str, Typed]
Tree = dict[str, Any]

_FIELDS = [each for owner in (Flow, Cause, FaultSpec, Step, ReadingSpec, Outcome) for each in file_fields(owner)]
LISTS = frozenset(each.name for each in _FIELDS if each.spec.limit and each.spec.kind is not Kind.GROUP)
PROSE = frozenset(each.name for each in _FIELDS if each.spec.kind is Kind.PROSE)
"""Fields that may run over several lines; the others are one line each."""


class EditRefused(Exception):
    """An action that was not done. ``findings`` say what is wrong, each at its field."""

    def __init__(self, findings: Sequence[CheckFinding]) -> None:
        self.findings = tuple(findings)
        first = self.findings[0]
        super().__init__(f"{first.message}. {first.hint}".strip())


class KeyNotFound(Exception):
    """The step, outcome, cause or value that was named is not in the flow; somebody may have removed it."""


def edited(flow: Flow, act: Callable[[Tree], object]) -> Flow:
    tree = _own(flow_tree(flow))
    act(tree)
    return flow_from_tree(tree)


def _own(group: Mapping[str, Any]) -> Tree:
    """A copy that may be changed, with plain texts."""
    return {
        name: _own(held) if isinstance(held, Mapping) else list(held) if isinstance(held, list) else held
        for name, held in group.items()
    }


def flow_from_tree(tree: Tree) -> Flow:
    read = read_tree(tree)
    if read.flow is None:
        raise EditRefused(read.findings)
    return read.flow


def with_fields(group: Tree, fields: Fields) -> Tree:
    """The group with these fields; what is empty is left out, what only differs in outer blanks stays as it was."""
    for name, typed in fields.items():
        value = _tidy(name, typed)
        if value and name in group and _tidy(name, group[name]) == value:
            continue
        if value:
            group[name] = value
        else:
            group.pop(name, None)
    return group


def _tidy(name: str, typed: Typed) -> str | list[str]:
    if not isinstance(typed, str):
        return [line for one in typed if (line := one.strip())]
    if name in LISTS:
        return [line for one in typed.replace(";", "\n").splitlines() if (line := one.strip())]
    text = typed.replace("\r\n", "\n").replace("\r", "\n")
    if name not in PROSE:
        return " ".join(text.split("\n")).strip()
    stripped = "\n".join(line.rstrip() for line in text.split("\n")).strip()
    return f"{stripped}\n" if "\n" in stripped else stripped


def write_destination(outcome: Tree, go: str, proof: Proof | None) -> None:
    outcome.pop("proof", None)
    outcome.pop("go", None)
    if go:
        outcome["go"] = go
    if proof:
        outcome["proof"] = proof.value


def redirect(tree: Tree, key: str, new: str) -> None:
    """Every outcome that leads to a key leads to another one, or nowhere."""
    for step in tree.get("steps", {}).values():
        for outcome in step.get("outcomes", {}).values():
            if outcome.get("go") == key:
                proof = Proof(outcome["proof"]) if new and outcome.get("proof") else None
                write_destination(outcome, new, proof)


def insert(group: Tree, key: str, entry: Tree, behind: str) -> None:
    order = list(group.items())
    place = next((at for at, (name, _) in enumerate(order, 1) if name == behind), len(order))
    order.insert(place, (key, entry))
    group.clear()
    group.update(order)


def moved(around: Tree, name: str, key: str, by: int) -> None:
    keys = list(around[name])
    at = keys.index(key)
    keys.insert(min(max(at + by, 0), len(keys) - 1), keys.pop(at))
    around[name] = {one: around[name][one] for one in keys}


def renamed(group: Tree, key: str, new: str) -> Tree:
    return {new if name == key else name: entry for name, entry in group.items()}


def refuse_taken(flow: Flow, key: str) -> None:
    if key in flow.step_by_key or key in flow.cause_by_key:
        raise taken_key(key, f"{'steps' if key in flow.step_by_key else 'causes'}.{key}")


def taken_key(key: str, where: str) -> EditRefused:
    message = f"{quoted(key)} is taken"
    return EditRefused([CheckFinding("field-key", Level.ERROR, where, message, "Choose another key.")])


def require_step(flow: Flow, key: str) -> Step:
    if key not in flow.step_by_key:
        raise KeyNotFound(f"There is no step {quoted(key)} in this procedure.")
    return flow.step_by_key[key]


def require_outcome(flow: Flow, step: str, key: str) -> Outcome:
    try:
        return require_step(flow, step).outcome(key)
    except KeyError:
        raise KeyNotFound(f"The step {quoted(step)} has no outcome {quoted(key)}.") from None


def require_cause(flow: Flow, key: str) -> None:
    if key not in flow.cause_by_key:
        raise KeyNotFound(f"There is no cause {quoted(key)} in this procedure.")


def require_value(flow: Flow, key: str) -> None:
    if key not in flow.value_by_key:
        raise KeyNotFound(f"There is no value {quoted(key)} in this procedure.")
