"""When a chart is not drawn, and the reason people are given."""

from __future__ import annotations

from shopkb.core.flow.model import Flow

MOST_STEPS = 200
MOST_BRANCHES = 400


class ChartUnavailable(Exception):
    """The chart cannot be shown; the outline stands in for it.

    Attributes:
        reason: one plain sentence for the page.
        detail: what the drawing program said, for a log. Never shown to users.
    """

    def __init__(self, reason: str, detail: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.detail = detail


def refuse_too_large(flow: Flow) -> None:
    """Stop before Graphviz is asked for a chart it would take minutes over.

    Raises:
        ChartUnavailable: more than 200 steps or more than 400 branches.
    """
    branches = sum(len(step.outcomes) for step in flow.steps)
    if len(flow.steps) > MOST_STEPS:
        raise ChartUnavailable(
            f"The procedure has {len(flow.steps)} steps; a chart holds {MOST_STEPS}. "
            "Move a part of it to a procedure of its own and hand over to it."
        )
    if branches > MOST_BRANCHES:
        raise ChartUnavailable(
            f"The procedure has {branches} branches; a chart holds {MOST_BRANCHES}. "
            "Move a part of it to a procedure of its own and hand over to it."
        )
