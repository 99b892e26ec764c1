"""What is worked out from a flow once and kept with it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

from shopkb.core.flow.model import Flow

T = TypeVar("T")


def kept(flow: Flow, name: str, work_out: Callable[[Flow], T]) -> T:
    """``work_out(flow)``, remembered in the instance as functools.cached_property does; a Flow never changes."""
    memory = vars(flow)
    if name not in memory:
        memory[name] = work_out(flow)
    return cast("T", memory[name])
