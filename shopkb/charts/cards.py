"""A flow as cards: a step is one card and its outcomes are the card's rows, so that arrows lead from step to step only.

An outcome that ends names its cause and its proof in its row. Cards stand from left to right, arrows leaving at their
rows, or from the top down, arrows leaving at a strip of numbers at the card's foot. Colours stand as plain attributes
for print; on a page the style sheet gives each its name (``web/chart.css``).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from shopkb.charts.card_head import card_head
from shopkb.charts.card_rows import card_row, foot_strip
from shopkb.charts.dot_text import Attributes, Chart, Edge, Node, escaped
from shopkb.charts.html_label import Element, HtmlLabel, html_label, table
from shopkb.charts.inks import CARD_EDGE, CARD_INK, CARD_SOFT, CARD_WIDTH, HERE, ON_WAY, PAPER, THINNED, Ink
from shopkb.charts.labels import step_label
from shopkb.charts.lettering import shortened, telling_words
from shopkb.charts.refusals import refuse_too_large
from shopkb.charts.view import FONTS, PLAIN, ChartOptions, edge_id, site_path
from shopkb.charts.way import busiest_way, onward_outcomes
from shopkb.core.flow.comparison.merged_diff import Change
from shopkb.core.flow.model import Flow, Outcome, Step

SPINE_WEIGHT = 40
TAKEN_PEN, THIN_PEN = 4.5, 0.8


def card_chart(flow: Flow, options: ChartOptions = PLAIN, *, top_down: bool = False) -> Chart:
    """The flow, faulty drafts included, as cards whose ``source`` is DOT text.

    Nodes are steps alone, of class ``step card``, with ``now``, ``taken`` and ``thin`` as in a flowchart; edges are
    ``branch`` by outcome, or, from the top down, one for each two steps. ``spine`` marks the busiest way.

    Raises:
        ChartUnavailable: the flow has more than 200 steps or 400 branches.
        ValueError: a link leads off this site, or is not a path.
    """
    refuse_too_large(flow)
    spine = frozenset(busiest_way(flow, options.notes))
    nodes = tuple(_card(flow, step, options, spine, top_down=top_down) for step in flow.steps)
    edges = tuple(_edges(flow, options, spine, top_down=top_down))
    return Chart(flow.procedure, nodes, edges, _settings(top_down=top_down))


def _settings(*, top_down: bool) -> tuple[Attributes, Attributes, Attributes]:
    graph = {
        "rankdir": "TB" if top_down else "LR", "bgcolor": "transparent", "nodesep": "0.28",
        "ranksep": "0.34" if top_down else "0.5", "pad": "0.06",
    }  # fmt: skip
    node = {"fontname": FONTS, "shape": "plain"}
    return graph, node, {"fontname": FONTS, "color": CARD_SOFT, "arrowsize": "0.7"}


def _card(flow: Flow, step: Step, view: ChartOptions, spine: frozenset[tuple[str, str]], *, top_down: bool) -> Node:
    """One card: its head, its rows, and from the top down the strip its arrows leave at."""
    here, fold = step.key == view.now, view.folds.get(step.key)
    taken = here or step.key in view.visited or (step.key, "") in view.changes
    ink = HERE if here else PAPER if not view.path else ON_WAY if taken else THINNED
    head, lines = card_head(flow, step, view, ink)
    rows = [head]
    for outcome in step.outcomes:
        row, shown = card_row(flow, step, outcome, view, ink, arrows_at_rows=not top_down)
        rows.append(row)
        lines += shown
    onward = onward_outcomes(flow, step)
    if top_down and onward:
        strip, shown = foot_strip(flow, onward, view, ink)
        rows.append(strip)
        lines += shown
    marks = [word for word, holds in (("now", here), ("taken", taken and bool(view.path)), ("thin", ink.thin)) if holds]
    on_spine = any(key == step.key for key, _ in spine) or any(
        flow.step_by_key[key].outcome(outcome).go.key == step.key for key, outcome in spine
    )
    attributes = {
        "label": _label(rows, ink, gone=view.changes.get((step.key, "")) is Change.TAKEN_OUT),
        "class": " ".join(("step", "card", *(["folded"] if fold else []), *marks)),
        "tooltip": escaped(shortened(f"{fold.name}, folded: {fold.facts}" if fold else step_label(flow, step, view))),
        **({"group": "spine"} if on_spine else {}),
    }
    if step.key in view.links:
        attributes["URL"] = escaped(site_path(view.links[step.key]))
    return Node(
        f"step-{step.key}",
        attributes,
        [line.shown for line in lines],
        far_text(view.number(flow, step.key), fold.name if fold else step.title),
    )


def far_text(number: str, title: str) -> tuple[str, ...]:
    """What a card shows where it is too small to be read: its number and three words."""
    return (number, *telling_words(title))


def _label(rows: Sequence[Element], ink: Ink, *, gone: bool) -> HtmlLabel:
    look = {"style": "dashed"} if gone else {}
    return html_label(
        table(*([row] for row in rows), border=ink.border, color=ink.edge, bgcolor=ink.card, width=CARD_WIDTH, **look)
    )


def _edges(flow: Flow, view: ChartOptions, spine: frozenset[tuple[str, str]], *, top_down: bool) -> Iterator[Edge]:
    for step in flow.steps:
        onward = onward_outcomes(flow, step)
        if top_down:
            for target in dict.fromkeys(outcome.go.key for outcome in onward):
                same = [outcome for outcome in onward if outcome.go.key == target]
                yield _edge(flow, step, same, view, spine, f"exit-{target}:s")
        else:
            for outcome in onward:
                yield _edge(flow, step, [outcome], view, spine, f"row-{outcome.key}:e")


def _edge(
    flow: Flow, step: Step, outcomes: list[Outcome], view: ChartOptions, spine: frozenset[tuple[str, str]],
    tail: str,
) -> Edge:  # fmt: skip
    """One arrow for outcomes of a step that lead to the same step; as wide as the share of jobs that took it."""
    keys = [(step.key, outcome.key) for outcome in outcomes]
    taken = any(key in view.taken for key in keys)
    thin = bool(view.path) and not taken
    straight = any(key in spine for key in keys)
    marks = [word for word, holds in (("spine", straight), ("taken", taken), ("thin", thin)) if holds]
    number = view.number(flow, outcomes[0].go.key)
    words = f"{'; '.join(outcome.label for outcome in outcomes)}: step {number}"
    attributes = {
        "class": " ".join(("branch", *marks)),
        "edgetooltip": escaped(shortened(words)),
        "tailport": tail,
        **_pen(view, keys, taken=taken, thin=thin),
        **({"weight": str(SPINE_WEIGHT)} if straight else {}),
        **({"style": "dashed"} if all(view.changes.get(key) is Change.TAKEN_OUT for key in keys) else {}),
    }
    return Edge(edge_id(*keys[0]), f"step-{step.key}", f"step-{outcomes[0].go.key}", attributes)


def _pen(view: ChartOptions, keys: list[tuple[str, str]], *, taken: bool, thin: bool) -> dict[str, str]:
    if taken:
        return {"penwidth": f"{TAKEN_PEN:g}", "color": CARD_INK, "arrowsize": "0.6"}
    if thin:
        return {"penwidth": f"{THIN_PEN:g}", "color": CARD_EDGE}
    traffic = sum(view.notes[key].traffic for key in keys if key in view.notes)
    pen = 1 + 3 * (traffic / view.busiest if view.busiest else 0.0)
    return {"penwidth": f"{pen:.1f}", "arrowsize": f"{0.8 - 0.08 * (pen - 1):.2f}"}
