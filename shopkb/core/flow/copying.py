"""Steps of another procedure copied into a draft, with the causes and the values they use."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from shopkb.core.flow.editing import node_keys
from shopkb.core.flow.file.field_tree import Tree, edited, insert, require_outcome, require_step, write_destination
from shopkb.core.flow.file.writer import group_tree
from shopkb.core.flow.model import ComputedValue, Flow, GoKind, Outcome, Step
from shopkb.core.flow.paths import next_steps
from shopkb.core.identifiers import LONGEST_KEY


@dataclass(frozen=True, slots=True)
class _NewKeys:
    """The keys in the draft of what is copied, by those in the source."""

    steps: Mapping[str, str]
    causes: Mapping[str, str]
    values: Mapping[str, str]


def steps_behind(flow: Flow, step: str) -> frozenset[str]:
    """The step and every step that some way leads to from it."""
    seen: set[str] = set()
    waiting = [step]
    while waiting:
        key = waiting.pop()
        if key not in seen:
            seen.add(key)
            waiting += next_steps(flow, key)
    return frozenset(seen)


def copy_steps(
    flow: Flow, source: Flow, step: str, *, behind: bool, after: tuple[str, str] | None = None
) -> tuple[Flow, str]:
    """The draft with a step of ``source``, and with ``behind`` all that it leads to; and the key the step has there.

    ``after`` is the (step, outcome) of the draft that is to lead to it; without it, the copy stands at the end. A cause
    or a value that the draft has already is not copied again; one of another meaning under the same key gets a new key.
    Ways that leave what is copied lead nowhere yet. What is said of the circuit comes along where both have the same.

    Raises:
        KeyNotFound: ``source`` has no such step, or the draft no such outcome.
        EditRefused: the draft would be too large.
    """
    require_step(source, step)
    if after is not None:
        require_outcome(flow, *after)
    wanted = steps_behind(source, step) if behind else {step}
    chosen = [one for one in source.steps if one.key in wanted]
    keys = _new_keys(flow, source, chosen)

    def act(tree: Tree) -> None:
        _put_missing(tree, "values", {keys.values[key]: _value(source, key, keys) for key in keys.values})
        _put_missing(tree, "causes", {new: _cause(flow, source, old) for old, new in keys.causes.items()})
        steps, place = tree.setdefault("steps", {}), after[0] if after else ""
        for one in chosen:
            insert(steps, keys.steps[one.key], _step(flow, source, one, keys), behind=place)
            place = keys.steps[one.key] if place else ""
        if after is not None:
            write_destination(steps[after[0]]["outcomes"][after[1]], keys.steps[step], None)
        if not tree.get("start"):
            tree["start"] = keys.steps[step]

    return edited(flow, act), keys.steps[step]


def _new_keys(flow: Flow, source: Flow, chosen: list[Step]) -> _NewKeys:
    taken = set(node_keys(flow))
    steps = {one.key: _free(one.key, taken, "-") for one in chosen}
    known = {cause.identity: cause.key for cause in flow.causes}
    ends = [outcome.go.key for one in chosen for outcome in one.outcomes if outcome.go.kind is GoKind.CAUSE]
    causes = {
        key: known.get(source.cause_by_key[key].identity) or _free(key, taken, "-") for key in dict.fromkeys(ends)
    }
    return _NewKeys(steps, causes, _value_keys(flow, source, chosen))


def _value_keys(flow: Flow, source: Flow, chosen: list[Step]) -> dict[str, str]:
    """The values that bands of the chosen steps use, and those they are computed from, in the order of the source."""
    used = {name for one in chosen for outcome in one.outcomes if outcome.band for name in outcome.band.names}
    for value in reversed(source.values):
        if value.key in used and isinstance(value, ComputedValue):
            used |= {text for _name, text in value.inputs if text in source.value_by_key}
    taken = set(flow.value_by_key)
    return {
        value.key: value.key if flow.value_by_key.get(value.key) == value else _free(value.key, taken, "_")
        for value in source.values
        if value.key in used
    }


def _free(key: str, taken: set[str], joint: str) -> str:
    """The key, numbered if it is taken; taken from then on."""
    found, number = key, 2
    while found in taken:
        end = f"{joint}{number}"
        found, number = f"{key[: LONGEST_KEY - len(end)].rstrip(joint)}{end}", number + 1
    taken.add(found)
    return found


def _put_missing(tree: Tree, name: str, entries: Mapping[str, Tree]) -> None:
    held = tree.setdefault(name, {})
    for key, entry in entries.items():
        held.setdefault(key, entry)
    if not held:
        del tree[name]


def _value(source: Flow, key: str, keys: _NewKeys) -> Tree:
    value = source.value_by_key[key]
    entry = group_tree(value)
    if isinstance(value, ComputedValue):
        entry |= {name: keys.values.get(text, text) for name, text in value.inputs}
    return entry


def _cause(flow: Flow, source: Flow, key: str) -> Tree:
    entry = group_tree(source.cause_by_key[key])
    if flow.circuit != source.circuit:
        entry.pop("fault", None)
    return entry


def _step(flow: Flow, source: Flow, step: Step, keys: _NewKeys) -> Tree:
    entry = group_tree(step)
    if flow.circuit != source.circuit:
        for name in ("state", "leads"):
            entry.pop(name, None)
        for name in ("probes", "through"):
            entry.get("reading", {}).pop(name, None)
    needs = [keys.steps[need] for need in step.needs if need in keys.steps]
    entry |= {"needs": needs} if needs else {}
    if not needs:
        entry.pop("needs", None)
    if step.outcomes:
        entry["outcomes"] = {outcome.key: _outcome(flow, outcome, keys) for outcome in step.outcomes}
    return entry


def _outcome(flow: Flow, outcome: Outcome, keys: _NewKeys) -> Tree:
    entry = group_tree(outcome)
    if "band" in entry:
        entry["band"] = _with_names(str(entry["band"]), keys.values)
    match outcome.go.kind:
        case GoKind.STEP | GoKind.NOWHERE:
            write_destination(entry, keys.steps.get(outcome.go.key, ""), None)
        case GoKind.CAUSE:
            write_destination(entry, keys.causes[outcome.go.key], outcome.proof)
        case GoKind.HAND_OVER if outcome.go.key == flow.procedure:
            write_destination(entry, "", None)
    return entry


def _with_names(band: str, names: Mapping[str, str]) -> str:
    """The text of a band with the values under their new names."""
    renamed: Collection[str] = [old for old, new in names.items() if old != new]
    for old in sorted(renamed, key=len, reverse=True):
        band = re.sub(rf"(?<![\w-]){re.escape(old)}(?!\w)", names[old], band)
    return band
