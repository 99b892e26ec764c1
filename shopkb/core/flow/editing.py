"""What a writer can do to a procedure, as pure functions from one flow to the next.

Every action changes the fields as they stand in the procedure file and reads them again, so whatever comes out can be
stored, exported and read back equal, and a refusal has the reader's own words. A flow may be as unfinished as any
draft; what it still lacks is for the checks to say.

Fields come as texts, the way they are typed: an empty one leaves the field out. Lists come as lists of texts.

Every action raises :class:`KeyNotFound` where a step, outcome, cause or value that it names is not there, and
:class:`EditRefused` where a key is taken already or a field has no right form.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Mapping, Sequence

from shopkb.core.flow.file.field_tree import (
    EditRefused,
    Fields,
    KeyNotFound,
    Tree,
    Typed,
    edited,
    flow_from_tree,
    insert,
    moved,
    redirect,
    refuse_taken,
    renamed,
    require_cause,
    require_outcome,
    require_step,
    require_value,
    taken_key,
    with_fields,
    write_destination,
)
from shopkb.core.flow.file.scalars import RESERVED_KEYS
from shopkb.core.flow.file.yaml_tree import FileRefused, compose
from shopkb.core.flow.model import Flow, Go, GoKind, Proof, TestKind
from shopkb.core.typed_text import quoted

__all__ = ["EditRefused", "Fields", "KeyNotFound", "Typed"]

PROOF_OF_TEST: Mapping[TestKind, Proof] = {
    TestKind.MEASURE: Proof.MEASURED,
    TestKind.SUBSTITUTE: Proof.SUBSTITUTED,
    TestKind.POWER_DIRECTLY: Proof.SUBSTITUTED,
}
"""What a kind of test proves at best; the others show something to the eye, ear or hand."""


# Keys ------------------------------------------------------------------------------------------------------------


def fresh_key(words: str, taken: Collection[str], otherwise: str = "step", joint: str = "-") -> str:
    """A key made of words that is none of ``taken``: ``Voltage at the horn`` gives ``voltage-at-the-horn``."""
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
    """Keys of steps and causes, and those that outcomes lead to although nothing has them."""
    sought = {outcome.go.key for _step, outcome in flow.branches if outcome.go.kind is GoKind.NOWHERE}
    return frozenset(flow.step_by_key) | frozenset(flow.cause_by_key) | sought


# The procedure as a whole ----------------------------------------------------------------------------------------


def new_flow(procedure: str, title: str, system: str, symptoms: Sequence[str] = ()) -> Flow:
    """A new procedure without steps."""
    return flow_from_tree(
        with_fields({}, {"procedure": procedure, "title": title, "system": system, "symptoms": symptoms})
    )


def change_head(flow: Flow, fields: Fields) -> Flow:
    """Change title, system, symptoms, codes, platforms, summary, verify or start."""
    if (start := fields.get("start")) and (not isinstance(start, str) or start not in flow.step_by_key):
        raise KeyNotFound(f"There is no step {quoted(str(start))} to start with.")
    given = {name: typed for name, typed in fields.items() if name != "procedure"}
    if "platforms" in given and not given["platforms"]:
        given["platforms"] = ["any"]
    return edited(flow, lambda tree: with_fields(tree, given))


# Steps -----------------------------------------------------------------------------------------------------------


def add_step(flow: Flow, key: str, title: str, *, test: str = "look", after: tuple[str, str] | None = None) -> Flow:
    """Add a step behind that of ``after``, the (step, outcome) that is to lead to it; without ``after``, at the end.

    The first step of a flow becomes its start."""
    refuse_taken(flow, key)
    if after is not None:
        require_outcome(flow, *after)

    def act(tree: Tree) -> None:
        steps = tree.setdefault("steps", {})
        insert(steps, key, with_fields({"test": test}, {"title": title}), behind=after[0] if after else "")
        if after is not None:
            write_destination(steps[after[0]]["outcomes"][after[1]], key, None)
        if not tree.get("start"):
            tree["start"] = key

    return edited(flow, act)


def change_step(flow: Flow, key: str, fields: Fields) -> Flow:
    """Change fields of a step, all but ``reading`` (:func:`change_reading`)."""
    require_step(flow, key)
    return edited(flow, lambda tree: with_fields(tree["steps"][key], fields))


def change_reading(flow: Flow, key: str, fields: Fields) -> Flow:
    """Change the fields of what a step measures. An empty quantity removes the reading."""
    require_step(flow, key)

    def act(tree: Tree) -> None:
        step = tree["steps"][key]
        reading = with_fields(dict(step.get("reading", {})), fields)
        if reading.get("loaded") != "true":
            reading.pop("loaded", None)
        if reading.get("quantity"):
            step["reading"] = reading
        else:
            step.pop("reading", None)

    return edited(flow, act)


def rename_step(flow: Flow, key: str, new: str) -> Flow:
    """Rename a step, also where other fields name it. Evidence stays with the old key: a new key means a new test."""
    require_step(flow, key)
    if new == key:
        return flow
    refuse_taken(flow, new)

    def act(tree: Tree) -> None:
        tree["steps"] = renamed(tree["steps"], key, new)
        tree["start"] = new if tree.get("start") == key else tree.get("start", "")
        for step in tree["steps"].values():
            step["needs"] = [new if one == key else one for one in step.get("needs", [])]
        redirect(tree, key, new)

    return edited(flow, act)


def move_step(flow: Flow, key: str, by: int) -> Flow:
    """Move a step down the list by so many places, up if negative, at most to its end. Outcomes lead where they led."""
    require_step(flow, key)
    return edited(flow, lambda tree: moved(tree, "steps", key, by))


def delete_step(flow: Flow, key: str) -> Flow:
    """Delete a step. Outcomes that led to it lead nowhere; a deleted start is replaced by the first step listed."""
    require_step(flow, key)

    def act(tree: Tree) -> None:
        del tree["steps"][key]
        if tree.get("start") == key:
            del tree["start"]
            if tree["steps"]:
                tree["start"] = next(iter(tree["steps"]))
        for step in tree["steps"].values():
            step["needs"] = [one for one in step.get("needs", []) if one != key]
        redirect(tree, key, "")

    return edited(flow, act)


def add_caution(flow: Flow, key: str, caution: str) -> Flow:
    """Add a caution to a step, after those it has."""
    cautions = require_step(flow, key).cautions
    return flow if caution in cautions else change_step(flow, key, {"cautions": [*cautions, caution]})


# Outcomes --------------------------------------------------------------------------------------------------------


def add_outcome(flow: Flow, step: str, key: str, label: str) -> Flow:
    """Add an outcome to a step, the last one; it leads nowhere yet."""
    if any(outcome.key == key for outcome in require_step(flow, step).outcomes):
        raise taken_key(key, f"steps.{step}.outcomes.{key}")

    def act(tree: Tree) -> None:
        tree["steps"][step].setdefault("outcomes", {})[key] = with_fields({}, {"label": label})

    return edited(flow, act)


def change_outcome(flow: Flow, step: str, key: str, fields: Fields) -> Flow:
    """Change label, band, proof or note of an outcome; where it leads is set by :func:`set_destination`."""
    require_outcome(flow, step, key)
    given = {name: typed for name, typed in fields.items() if name != "go"}
    return edited(flow, lambda tree: with_fields(tree["steps"][step]["outcomes"][key], given))


def set_destination(flow: Flow, step: str, key: str, go: Go) -> Flow:
    """Make an outcome lead to a step, a cause, another procedure, out of the procedure, or nowhere.

    An outcome that ends at a cause gets the proof that its kind of test gives; any other loses its proof."""
    outcome = require_outcome(flow, step, key)
    if outcome.go == go:
        return flow
    if go.kind is GoKind.STEP:
        require_step(flow, go.key)
    if go.kind is GoKind.CAUSE and go.key not in flow.cause_by_key:
        raise KeyNotFound(f"There is no cause {quoted(go.key)} in this procedure.")
    proof = None
    if go.kind is GoKind.CAUSE:
        proof = outcome.proof or PROOF_OF_TEST.get(require_step(flow, step).test, Proof.SEEN)
    return edited(flow, lambda tree: write_destination(tree["steps"][step]["outcomes"][key], go.text(), proof))


def rename_outcome(flow: Flow, step: str, key: str, new: str) -> Flow:
    """Rename an outcome. Evidence stays with the old key."""
    require_outcome(flow, step, key)
    if new == key:
        return flow
    if any(outcome.key == new for outcome in require_step(flow, step).outcomes):
        raise taken_key(new, f"steps.{step}.outcomes.{new}")

    def act(tree: Tree) -> None:
        tree["steps"][step]["outcomes"] = renamed(tree["steps"][step]["outcomes"], key, new)

    return edited(flow, act)


def move_outcome(flow: Flow, step: str, key: str, by: int) -> Flow:
    """Move an outcome down its step by so many places, up if negative."""
    require_outcome(flow, step, key)
    return edited(flow, lambda tree: moved(tree["steps"][step], "outcomes", key, by))


def delete_outcome(flow: Flow, step: str, key: str) -> Flow:
    """Delete an outcome. The step or cause it led to stays."""
    require_outcome(flow, step, key)
    return edited(flow, lambda tree: tree["steps"][step]["outcomes"].pop(key))


# Causes and values -----------------------------------------------------------------------------------------------


def add_cause(flow: Flow, key: str, component: str, mode: str) -> Flow:
    """Add a cause that outcomes can lead to."""
    refuse_taken(flow, key)

    def act(tree: Tree) -> None:
        tree.setdefault("causes", {})[key] = with_fields({}, {"component": component, "mode": mode})

    return edited(flow, act)


def change_cause(flow: Flow, key: str, fields: Fields) -> Flow:
    """Change component, mode, usual, correction, minutes, price or also of a cause."""
    require_cause(flow, key)
    return edited(flow, lambda tree: with_fields(tree["causes"][key], fields))


def change_fault(flow: Flow, key: str, fields: Fields) -> Flow:
    """Change what a cause is in the circuit: parts and is. Without any, it is not in it."""
    require_cause(flow, key)

    def act(tree: Tree) -> None:
        cause = tree["causes"][key]
        fault = with_fields(dict(cause.get("fault", {})), fields)
        if fault:
            cause["fault"] = fault
        else:
            cause.pop("fault", None)

    return edited(flow, act)


def change_circuit(flow: Flow, text: str) -> Flow:
    """Put a circuit, written as in the procedure file, in the place of the one there is; an empty text removes it."""
    if not text.strip():
        return edited(flow, lambda tree: tree.pop("circuit", None))
    try:
        composed = compose(text)
    except FileRefused as refusal:
        raise EditRefused([refusal.finding]) from None
    if composed.findings:
        raise EditRefused(composed.findings)
    return edited(flow, lambda tree: tree.__setitem__("circuit", composed.tree))


def delete_cause(flow: Flow, key: str) -> Flow:
    """Delete a cause. Outcomes that led to it lead nowhere."""
    require_cause(flow, key)

    def act(tree: Tree) -> None:
        del tree["causes"][key]
        redirect(tree, key, "")

    return edited(flow, act)


def put_value(flow: Flow, key: str, fields: Fields) -> Flow:
    """Add or replace a value: asked once a run (ask, unit, from, to), or computed (compute and its inputs)."""

    def act(tree: Tree) -> None:
        tree.setdefault("values", {})[key] = with_fields({}, fields)

    return edited(flow, act)


def move_value(flow: Flow, key: str, by: int) -> Flow:
    """Move a value down the list by so many places, up if negative. A computed value uses only those above it."""
    require_value(flow, key)
    return edited(flow, lambda tree: moved(tree, "values", key, by))


def delete_value(flow: Flow, key: str) -> Flow:
    """Delete a value. Bands that use it keep its name, which the checks report."""
    require_value(flow, key)
    return edited(flow, lambda tree: tree["values"].pop(key))
