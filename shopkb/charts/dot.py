"""A flow as a chart: signs by kind of step, branches with their evidence, the path of a job in heavy ink.

Everything a page may want to restyle has a class name; colours stand as plain attributes, so the drawing needs no
style sheet and no style attribute.
"""

from __future__ import annotations

from shopkb.charts.dot_text import Attributes, Chart
from shopkb.charts.edges import branch_edges, lead_in
from shopkb.charts.nodes import end_nodes, start_node, step_nodes
from shopkb.charts.refusals import refuse_too_large
from shopkb.charts.shapes import TEXT_SIZE
from shopkb.charts.view import CARD, FONTS, INK, LABEL_SIZE, PLAIN, SOFT, ChartOptions
from shopkb.core.flow.model import Flow

# Branches stand in no given order: with ordering=out the charts of the shelf had twice as many crossings (105, 52).
_SETTINGS: tuple[Attributes, Attributes, Attributes] = (
    {"rankdir": "TB", "bgcolor": "transparent", "nodesep": "0.24", "ranksep": "0.03", "pad": "0.06"},
    {
        "fontname": FONTS, "fontsize": f"{TEXT_SIZE:g}", "fontcolor": INK, "color": INK, "style": "filled",
        "fillcolor": CARD, "penwidth": "1.3", "height": "0.36", "width": "0.6",
    },
    {"fontname": FONTS, "fontsize": f"{LABEL_SIZE:g}", "fontcolor": INK, "color": SOFT, "arrowsize": "0.7"},
)  # fmt: skip


def flow_dot(flow: Flow, options: ChartOptions = PLAIN) -> Chart:
    """The flow, faulty drafts included, as a chart whose ``source`` is DOT text.

    Classes on nodes: ``start``, ``step``, ``cause``, ``hand-over``, ``out end`` or ``nowhere``; the sign
    (``terminator``, ``decision``, ``manual-operation``, ``process``, ``predefined-process``); ``now``, ``taken``,
    ``thin`` (a job's path is shown and this is not on it), ``weak`` (a cause proven by elimination only). On edges:
    ``branch`` or ``lead-in``; ``taken``, ``thin``, ``weak``.

    Raises:
        ChartUnavailable: the flow has more than 200 steps or 400 branches.
        ValueError: a link leads off this site, or is not a path.
    """
    refuse_too_large(flow)
    nodes = (*start_node(flow, options), *step_nodes(flow, options), *end_nodes(flow, options))
    return Chart(flow.procedure, nodes, (lead_in(flow, options), *branch_edges(flow, options)), _SETTINGS)
