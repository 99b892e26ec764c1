"""The drawings of a flow that a page offers."""

from __future__ import annotations

from enum import StrEnum

from shopkb.charts.cards import card_chart
from shopkb.charts.dot import flow_dot
from shopkb.charts.dot_text import Chart
from shopkb.charts.view import PLAIN, ChartOptions
from shopkb.core.flow.model import Flow


class Drawing(StrEnum):
    """How a flow is drawn, as an address says it."""

    WIDE = "cards"
    TALL = "cards-down"
    FLOWCHART = "flowchart"


DRAWING_NAMES = {
    Drawing.WIDE: "Cards across",
    Drawing.TALL: "Cards down",
    Drawing.FLOWCHART: "Flowchart",
}


def chart_as(flow: Flow, drawing: Drawing, options: ChartOptions = PLAIN) -> Chart:
    """The flow in one of its drawings.

    Raises:
        ChartUnavailable: the flow has more than 200 steps or 400 branches.
        ValueError: a link leads off this site, or is not a path.
    """
    if drawing is Drawing.FLOWCHART:
        return flow_dot(flow, options)
    return card_chart(flow, options, top_down=drawing is Drawing.TALL)
