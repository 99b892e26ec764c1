"""Values computed from a flow once and stored in its instance."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

from shopkb.core.flow.model import Flow

T = TypeVar("T")


def memoized(flow: Flow, name: str, compute: Callable[[Flow], T]) -> T:
    """``compute(flow)``, stored in the instance under ``name`` as functools.cached_property does.

    A flow is frozen, so the value never goes stale.
    """
    memory = vars(flow)
    if name not in memory:
        memory[name] = compute(flow)
    return cast("T", memory[name])
