"""What a writer can do to a procedure, as pure functions from one flow to the next.

Every action changes the fields as they stand in the procedure file and reads them again, so whatever comes out can be
stored, exported and read back equal, and a refusal has the reader's own words. A flow may be as unfinished as any
draft; what it still lacks is for the checks to say.

Fields come as texts, the way they are typed: an empty one leaves the field out. Lists come as lists of texts.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from shopkb.core.flow.findings import Finding, Level
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome, Proof, Step, TestKind
from shopkb.core.flow.reader import read_tree
from shopkb.core.flow.scalars import RESERVED_KEYS, quoted
from shopkb.core.flow.writer import flow_tree

Typed = str | Sequence[str]
Fields = Mapping[str, Typed]
Tree = dict[str, Any]

LISTS = frozenset({"symptoms", "codes", "platforms", "needs", "tools", "cautions", "isolates", "between"})
PROSE = frozenset({"summary", "verify", "instruction", "note", "correction", "also"})
"""Fields that may run over several lines; the others are one line each."""

PROOF_OF_TEST: Mapping[TestKind, Proof] = {
    TestKind.MEASURE: Proof.MEASURED,
    TestKind.SUBSTITUTE: Proof.SUBSTITUTED,
    TestKind.POWER_DIRECTLY: Proof.SUBSTITUTED,
}
"""What a kind of test proves at best; the others show something to the eye, ear or hand."""


class EditRefused(Exception):
    """An action that was not done. ``findings`` say what is wrong, each at its field."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        self.findings = tuple(findings)
        first = self.findings[0]
        super().__init__(f"{first.message}. {first.hint}".strip())


class NothingThere(Exception):
    """The step, outcome, cause or value that was named is not in the flow; somebody may have removed it."""


# Keys ------------------------------------------------------------------------------------------------------------


def fresh_key(words: str, taken: Collection[str], otherwise: str = "step", joint: str = "-") -> str:
    """A key made of words, unlike all that are taken: ``Voltage at the horn`` gives ``voltage-at-the-horn``."""
    plain = unicodedata.normalize("NFKD", words).encode("ascii", "ignore").decode().lower()
    parts = re.findall(r"[a-z0-9]+", plain)
    while parts and not parts[0][0].isalpha():
        parts = parts[1:]
    key = ""
    for part in parts:
        if key and len(key) + len(part) > 24:
            break
        key = f"{key}{joint}{part[:40]}" if key else part[:40]
    stem = key or otherwise
    found, number = stem, 2
    while found in taken or found in RESERVED_KEYS:
        found, number = f"{stem}{joint}{number}", number + 1
    return found


def node_keys(flow: Flow) -> frozenset[str]:
    """Keys that steps and causes have, and those that outcomes still look for."""
    sought = {outcome.go.key for step in flow.steps for outcome in step.outcomes if outcome.go.kind is GoKind.NOWHERE}
    return frozenset(flow.step_by_key) | frozenset(flow.cause_by_key) | sought


# The procedure as a whole ----------------------------------------------------------------------------------------


def new_flow(procedure: str, title: str, system: str, symptoms: Sequence[str] = ()) -> Flow:
    """A procedure without any step yet.

    Raises:
        EditRefused: the key, the title or the system has no right form.
    """
    return _read(_filled({}, {"procedure": procedure, "title": title, "system": system, "symptoms": symptoms}))


def change_head(flow: Flow, fields: Fields) -> Flow:
    """Other title, system, symptoms, codes, platforms, summary, verify or start.

    Raises:
        EditRefused: a field has no right form, or the start is not a step.
    """
    if (start := fields.get("start")) and start not in flow.step_by_key:
        raise NothingThere(f"There is no step {quoted(str(start))} to start with.")
    given = {name: typed for name, typed in fields.items() if name != "procedure"}
    if "platforms" in given and not given["platforms"]:
        given["platforms"] = ["any"]
    return _edited(flow, lambda tree: _filled(tree, given))


# Steps -----------------------------------------------------------------------------------------------------------


def add_step(flow: Flow, key: str, title: str, *, test: str = "look", after: tuple[str, str] | None = None) -> Flow:
    """A new step. ``after``: the (step, outcome) that leads to it; it then stands behind that step, else last.

    The first step of a flow becomes its start.

    Raises:
        EditRefused: the key is taken, or key or title has no right form.
        NothingThere: no such outcome.
    """
    _refuse_taken(flow, key)
    if after is not None:
        _outcome(flow, *after)

    def act(tree: Tree) -> None:
        steps = tree.setdefault("steps", {})
        _insert(steps, key, _filled({"test": test}, {"title": title}), behind=after[0] if after else "")
        if after is not None:
            _lead(steps[after[0]]["outcomes"][after[1]], key, None)
        if not tree.get("start"):
            tree["start"] = key

    return _edited(flow, act)


def change_step(flow: Flow, key: str, fields: Fields) -> Flow:
    """Other fields of a step; ``reading`` as a mapping of its own is set by :func:`change_reading`.

    Raises:
        EditRefused, NothingThere.
    """
    _step(flow, key)
    return _edited(flow, lambda tree: _filled(tree["steps"][key], fields))


def change_reading(flow: Flow, key: str, fields: Fields) -> Flow:
    """Other fields of what a step measures: quantity, unit, between, loaded. Without a quantity it measures nothing.

    Raises:
        EditRefused, NothingThere.
    """
    _step(flow, key)

    def act(tree: Tree) -> None:
        step = tree["steps"][key]
        reading = _filled(dict(step.get("reading", {})), fields)
        if reading.get("loaded") != "true":
            reading.pop("loaded", None)
        if reading.get("quantity"):
            step["reading"] = reading
        else:
            step.pop("reading", None)

    return _edited(flow, act)


def rename_step(flow: Flow, key: str, new: str) -> Flow:
    """Another key for a step, with all that names it. Evidence stays with the old key: a new one means a new test.

    Raises:
        EditRefused, NothingThere.
    """
    _step(flow, key)
    if new == key:
        return flow
    _refuse_taken(flow, new)

    def act(tree: Tree) -> None:
        tree["steps"] = _renamed(tree["steps"], key, new)
        tree["start"] = new if tree.get("start") == key else tree.get("start", "")
        for step in tree["steps"].values():
            step["needs"] = [new if one == key else one for one in step.get("needs", [])]
        _redirect(tree, key, new)

    return _edited(flow, act)


def move_step(flow: Flow, key: str, by: int) -> Flow:
    """The step so many places down, or up if negative; at an end it stays. Where outcomes lead does not change.

    Raises:
        NothingThere.
    """
    _step(flow, key)
    return _edited(flow, lambda tree: _moved(tree, "steps", key, by))


def delete_step(flow: Flow, key: str) -> Flow:
    """Without the step. What led to it leads nowhere; if it was the start, the step that led the list then is.

    Raises:
        NothingThere.
    """
    _step(flow, key)

    def act(tree: Tree) -> None:
        del tree["steps"][key]
        if tree.get("start") == key:
            tree["start"] = next(iter(tree["steps"]), "")
        for step in tree["steps"].values():
            step["needs"] = [one for one in step.get("needs", []) if one != key]
        _redirect(tree, key, "")

    return _edited(flow, act)


def add_caution(flow: Flow, key: str, caution: str) -> Flow:
    """One more caution for a step, after those it has.

    Raises:
        EditRefused, NothingThere.
    """
    held = _step(flow, key).cautions
    return flow if caution in held else change_step(flow, key, {"cautions": [*held, caution]})


# Outcomes --------------------------------------------------------------------------------------------------------


def add_outcome(flow: Flow, step: str, key: str, label: str) -> Flow:
    """A new outcome of a step, the last one; it leads nowhere yet.

    Raises:
        EditRefused, NothingThere.
    """
    if any(outcome.key == key for outcome in _step(flow, step).outcomes):
        raise _taken(key, f"steps.{step}.outcomes.{key}")

    def act(tree: Tree) -> None:
        tree["steps"][step].setdefault("outcomes", {})[key] = _filled({}, {"label": label})

    return _edited(flow, act)


def change_outcome(flow: Flow, step: str, key: str, fields: Fields) -> Flow:
    """Other label, band, proof or note; where it leads is set by :func:`point`.

    Raises:
        EditRefused, NothingThere.
    """
    _outcome(flow, step, key)
    given = {name: typed for name, typed in fields.items() if name != "go"}
    return _edited(flow, lambda tree: _filled(tree["steps"][step]["outcomes"][key], given))


def point(flow: Flow, step: str, key: str, go: Go) -> Flow:
    """The outcome leads there now: to a step, a cause, another procedure, out, or (nothing said) nowhere.

    An end at a cause gets the proof its test gives; anything else has none.

    Raises:
        EditRefused, NothingThere.
    """
    outcome = _outcome(flow, step, key)
    if outcome.go == go:
        return flow
    if go.kind is GoKind.STEP:
        _step(flow, go.key)
    if go.kind is GoKind.CAUSE and go.key not in flow.cause_by_key:
        raise NothingThere(f"There is no cause {quoted(go.key)} in this procedure.")
    proof = None
    if go.kind is GoKind.CAUSE:
        proof = outcome.proof or PROOF_OF_TEST.get(_step(flow, step).test, Proof.SEEN)
    return _edited(flow, lambda tree: _lead(tree["steps"][step]["outcomes"][key], go.text(), proof))


def rename_outcome(flow: Flow, step: str, key: str, new: str) -> Flow:
    """Another key for an outcome. Evidence stays with the old one.

    Raises:
        EditRefused, NothingThere.
    """
    _outcome(flow, step, key)
    if new == key:
        return flow
    if any(outcome.key == new for outcome in _step(flow, step).outcomes):
        raise _taken(new, f"steps.{step}.outcomes.{new}")

    def act(tree: Tree) -> None:
        tree["steps"][step]["outcomes"] = _renamed(tree["steps"][step]["outcomes"], key, new)

    return _edited(flow, act)


def move_outcome(flow: Flow, step: str, key: str, by: int) -> Flow:
    """The outcome so many places down, or up if negative.

    Raises:
        NothingThere.
    """
    _outcome(flow, step, key)
    return _edited(flow, lambda tree: _moved(tree["steps"][step], "outcomes", key, by))


def delete_outcome(flow: Flow, step: str, key: str) -> Flow:
    """Without the outcome. What it led to stays.

    Raises:
        NothingThere.
    """
    _outcome(flow, step, key)
    return _edited(flow, lambda tree: tree["steps"][step]["outcomes"].pop(key))


# Causes and values -----------------------------------------------------------------------------------------------


def add_cause(flow: Flow, key: str, component: str, mode: str) -> Flow:
    """A new cause that outcomes can lead to.

    Raises:
        EditRefused: the key is taken, or a field has no right form.
    """
    _refuse_taken(flow, key)

    def act(tree: Tree) -> None:
        tree.setdefault("causes", {})[key] = _filled({}, {"component": component, "mode": mode})

    return _edited(flow, act)


def change_cause(flow: Flow, key: str, fields: Fields) -> Flow:
    """Other component, mode, usual, correction, minutes, price or also.

    Raises:
        EditRefused, NothingThere.
    """
    _cause(flow, key)
    return _edited(flow, lambda tree: _filled(tree["causes"][key], fields))


def move_cause(flow: Flow, key: str, by: int) -> Flow:
    """The cause so many places down its list, or up if negative.

    Raises:
        NothingThere.
    """
    _cause(flow, key)
    return _edited(flow, lambda tree: _moved(tree, "causes", key, by))


def delete_cause(flow: Flow, key: str) -> Flow:
    """Without the cause. What led to it leads nowhere.

    Raises:
        NothingThere.
    """
    _cause(flow, key)

    def act(tree: Tree) -> None:
        del tree["causes"][key]
        _redirect(tree, key, "")

    return _edited(flow, act)


def put_value(flow: Flow, key: str, fields: Fields) -> Flow:
    """A value asked once a run (ask, unit, from, to) or computed (compute and its inputs): a new one, or in place.

    Raises:
        EditRefused: a field has no right form.
    """

    def act(tree: Tree) -> None:
        tree.setdefault("values", {})[key] = _filled({}, fields)

    return _edited(flow, act)


def move_value(flow: Flow, key: str, by: int) -> Flow:
    """The value so many places down its list, or up if negative: a computed one uses only those above it.

    Raises:
        NothingThere.
    """
    _value(flow, key)
    return _edited(flow, lambda tree: _moved(tree, "values", key, by))


def delete_value(flow: Flow, key: str) -> Flow:
    """Without the value. Bands that use it keep its name; the checks will say so.

    Raises:
        NothingThere.
    """
    _value(flow, key)
    return _edited(flow, lambda tree: tree["values"].pop(key))


# How it is done --------------------------------------------------------------------------------------------------


def _edited(flow: Flow, act: Callable[[Tree], object]) -> Flow:
    tree = _own(flow_tree(flow))
    act(tree)
    return _read(tree)


def _own(group: Mapping[str, Any]) -> Tree:
    """A copy that may be changed, with plain texts."""
    return {
        name: _own(held) if isinstance(held, Mapping) else list(held) if isinstance(held, list) else held
        for name, held in group.items()
    }


def _read(tree: Tree) -> Flow:
    read = read_tree(tree)
    if read.flow is None:
        raise EditRefused(read.findings)
    return read.flow


def _filled(group: Tree, fields: Fields) -> Tree:
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


def _lead(outcome: Tree, go: str, proof: Proof | None) -> None:
    outcome.pop("proof", None)
    outcome.pop("go", None)
    if go:
        outcome["go"] = go
    if proof:
        outcome["proof"] = proof.value


def _redirect(tree: Tree, key: str, new: str) -> None:
    """Every outcome that leads to a key leads to another one, or nowhere."""
    for step in tree.get("steps", {}).values():
        for outcome in step.get("outcomes", {}).values():
            if outcome.get("go") == key:
                proof = Proof(outcome["proof"]) if new and outcome.get("proof") else None
                _lead(outcome, new, proof)


def _insert(group: Tree, key: str, entry: Tree, behind: str) -> None:
    order = list(group.items())
    place = next((at for at, (name, _) in enumerate(order, 1) if name == behind), len(order))
    order.insert(place, (key, entry))
    group.clear()
    group.update(order)


def _moved(around: Tree, name: str, key: str, by: int) -> None:
    keys = list(around[name])
    at = keys.index(key)
    keys.insert(min(max(at + by, 0), len(keys) - 1), keys.pop(at))
    around[name] = {one: around[name][one] for one in keys}


def _renamed(group: Tree, key: str, new: str) -> Tree:
    return {new if name == key else name: entry for name, entry in group.items()}


def _refuse_taken(flow: Flow, key: str) -> None:
    if key in flow.step_by_key or key in flow.cause_by_key:
        raise _taken(key, f"{'steps' if key in flow.step_by_key else 'causes'}.{key}")


def _taken(key: str, where: str) -> EditRefused:
    said = f"{quoted(key)} is taken"
    return EditRefused([Finding("field-key", Level.ERROR, where, said, "Choose another key.")])


def _step(flow: Flow, key: str) -> Step:
    if key not in flow.step_by_key:
        raise NothingThere(f"There is no step {quoted(key)} in this procedure.")
    return flow.step_by_key[key]


def _outcome(flow: Flow, step: str, key: str) -> Outcome:
    try:
        return _step(flow, step).outcome(key)
    except KeyError:
        raise NothingThere(f"The step {quoted(step)} has no outcome {quoted(key)}.") from None


def _cause(flow: Flow, key: str) -> None:
    if key not in flow.cause_by_key:
        raise NothingThere(f"There is no cause {quoted(key)} in this procedure.")


def _value(flow: Flow, key: str) -> None:
    if key not in flow.value_by_key:
        raise NothingThere(f"There is no value {quoted(key)} in this procedure.")
