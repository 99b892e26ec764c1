"""Keys, paths, causes and destinations in words."""

from __future__ import annotations

from collections.abc import Mapping

from shopkb.core.flow.model import Flow, Go, GoKind


def words_of_key(key: str) -> str:
    """``bumper-off`` as ``bumper off``."""
    return key.replace("-", " ")


def last_part(path: str) -> str:
    """The last part of a path as words: ``cooling/fan/fan-resistor`` as ``fan resistor``."""
    return words_of_key(path.rpartition("/")[2])


def cause_name(component: str, mode: str) -> str:
    """``fan resistor: open circuit``, from the path of the component and how it fails."""
    return f"{last_part(component)}: {mode}"


def cause_words(identity: str) -> str:
    """A cause's identity in words: ``cooling/fan/fan-resistor#open circuit`` as ``fan resistor: open circuit``."""
    component, _hash, mode = identity.partition("#")
    return cause_name(component, mode)


def leads_to(flow: Flow, go: Go, titles: Mapping[str, str]) -> str:
    """Where an outcome leads: ``step 3, Voltage at the connector``, a cause, another procedure, or out of this one.

    ``titles``: of the procedures handed over to, by key; one that is not there is told by the words of its key.
    """
    if go.kind is GoKind.STEP and go.key in flow.step_by_key:
        return f"step {flow.number_by_step[go.key]}, {flow.step_by_key[go.key].title}"
    if go.kind is GoKind.CAUSE and go.key in flow.cause_by_key:
        cause = flow.cause_by_key[go.key]
        return f"cause: {cause_name(cause.component, cause.mode)}"
    if go.kind is GoKind.HAND_OVER:
        return f"goes on in: {titles.get(go.key) or words_of_key(go.key)}"
    return "leaves the procedure"
