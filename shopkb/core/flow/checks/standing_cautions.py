"""Cautions that an earlier step of the same set-up state showed, and that hold at this step too."""

from __future__ import annotations

from collections.abc import Iterable

from shopkb.core.flow.model import Flow, Step
from shopkb.core.flow.paths import always_passed


def standing_cautions(flow: Flow, step: Step, done: Iterable[str] = ()) -> tuple[str, ...]:
    """Keys of the cautions that were shown before this step for its set-up state, and hold still; not its own.

    Those of the steps that every way to it has passed, and of the steps ``done`` in this run, each once, in the
    writer's order.
    """
    passed = {*always_passed(flow, step.key), *done} - {step.key}
    before = [other for other in flow.steps if other.key in passed and other.access == step.access]
    shown = dict.fromkeys(key for other in before for key in other.cautions)
    return tuple(key for key in shown if key not in step.cautions)
