"""A flow as a chart: signs by kind of step, branches with their evidence, the path of a job in heavy ink.

Everything a page may want to restyle has a class name; colours stand as plain attributes, so the drawing needs no
style sheet and no style attribute.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from shopkb.charts.branch_notes import BranchKey, BranchNotes
from shopkb.charts.dot_text import Attributes, Chart
from shopkb.charts.edges import branch_edges, lead_in
from shopkb.charts.nodes import end_nodes, start_node, step_nodes
from shopkb.charts.refusals import refuse_too_large
from shopkb.charts.shapes import TEXT_SIZE
from shopkb.charts.view import CARD, FONTS, INK, LABEL_SIZE, SOFT, View, edge_id, node_id
from shopkb.core.flow.model import Flow

__all__ = ["edge_id", "flow_dot", "node_id"]

_SETTINGS: tuple[Attributes, Attributes, Attributes] = (
    {"rankdir": "TB", "bgcolor": "transparent", "ordering": "out", "nodesep": "0.24", "ranksep": "0.03", "pad": "0.06"},
    {
        "fontname": FONTS, "fontsize": f"{TEXT_SIZE:g}", "fontcolor": INK, "color": INK, "style": "filled",
        "fillcolor": CARD, "penwidth": "1.3", "height": "0.36", "width": "0.6",
    },
    {"fontname": FONTS, "fontsize": f"{LABEL_SIZE:g}", "fontcolor": INK, "color": SOFT, "arrowsize": "0.7"},
)  # fmt: skip


def flow_dot(
    flow: Flow,
    *,
    notes: BranchNotes | None = None,
    path: Sequence[BranchKey] = (),
    now: str = "",
    links: Mapping[str, str] | None = None,
    titles: Mapping[str, str] | None = None,
    possible: Mapping[str, float] | None = None,
    components: Mapping[str, str] | None = None,
) -> Chart:
    """The flow, faulty drafts included, as a chart whose ``source`` is DOT text.

    Classes on nodes: ``start``, ``step``, ``cause``, ``hand-over``, ``out end`` or ``nowhere``; the sign
    (``terminator``, ``decision``, ``manual-operation``, ``process``, ``predefined-process``); ``now``, ``taken``,
    ``thin`` (a job's path is shown and this is not on it), ``weak`` (a cause proven by elimination only). On edges:
    ``branch`` or ``lead-in``; ``taken``, ``thin``, ``weak``.

    Args:
        flow: the procedure.
        notes: evidence by (step key, outcome key).
        path: the branches a job has taken; the rest is thinned.
        now: key of the step a job stands at.
        links: addresses on this site, starting with one slash, by step key, cause key or, for a hand-over, its
            ``Go.text()``.
        titles: titles of other procedures by key, for hand-overs.
        possible: probability by cause key, 0 to 1; causes not named say nothing.
        components: names of components by path; without one, the last part of the path is used.

    Raises:
        ChartUnavailable: the flow has more than 200 steps or 400 branches.
        ValueError: a link leads off this site, or is not a path.
    """
    refuse_too_large(flow)
    view = View(notes or {}, tuple(path), now, links or {}, titles or {}, possible or {}, components or {})
    nodes = (*start_node(flow, view), *step_nodes(flow, view), *end_nodes(flow, view))
    return Chart(flow.procedure, nodes, (lead_in(flow, view), *branch_edges(flow, view)), _SETTINGS)
