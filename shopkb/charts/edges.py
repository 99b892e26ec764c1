"""Edges: the branches, with their evidence as words and as width."""

from __future__ import annotations

from shopkb.charts.branch_notes import BranchNote, evidence_text, jobs_text, rate_text
from shopkb.charts.dot_text import Edge, escaped, left_label
from shopkb.charts.labels import BY_ELIMINATION
from shopkb.charts.lettering import balanced, shortened
from shopkb.charts.nodes import NO_START, branches_into
from shopkb.charts.view import FAINT, INK, SOFT, ChartOptions, edge_id, end_id
from shopkb.charts.way import rules_nothing_out
from shopkb.core.flow.comparison.merged_diff import Change
from shopkb.core.flow.model import Flow, GoKind, Outcome, Proof, Step

LABEL_COLUMNS = 18
TAKEN_PEN = 4.5


def lead_in(flow: Flow, view: ChartOptions) -> Edge:
    """The edge from the start to the first step."""
    head = f"step-{flow.start}" if flow.start in flow.step_by_key else NO_START
    attributes = {"class": "lead-in", "penwidth": "1.3", "edgetooltip": "start"}
    if view.path:
        attributes |= {"class": "lead-in taken", "penwidth": f"{TAKEN_PEN:g}", "color": INK}
    return Edge("lead-in", "start", head, attributes)


def branch_edges(flow: Flow, view: ChartOptions) -> list[Edge]:
    """One edge for every outcome of every step, in the writer's order."""
    mixed = {name for name, into in branches_into(flow).items() if len({outcome.proof for _, outcome in into}) > 1}
    return [_branch(flow, step, outcome, view, mixed) for step, outcome in flow.branches]


def _branch(flow: Flow, step: Step, outcome: Outcome, view: ChartOptions, mixed: set[str]) -> Edge:
    """One branch. A cause proven in several ways says which of them is a guess on the branch itself."""
    head = end_id(flow, step, outcome)
    note = view.notes.get((step.key, outcome.key))
    taken = (step.key, outcome.key) in view.taken
    thin = bool(view.path) and not taken
    weak = outcome.proof is Proof.ELIMINATION and outcome.go.kind is GoKind.CAUSE
    marks = [word for word, holds in (("taken", taken), ("thin", thin), ("weak", weak)) if holds]
    remarks = [
        view.change_text(step.key, outcome.key),
        jobs_text(note) if rules_nothing_out(flow, step, outcome) else rate_text(note),
        BY_ELIMINATION if weak and head in mixed else "",
    ]
    lines = [*balanced(shortened(outcome.label), LABEL_COLUMNS), *filter(None, remarks)]
    tooltip = escaped(shortened(f"{outcome.label}: {evidence_text(note)}"))
    attributes = {
        "label": left_label(lines),
        "class": " ".join(("branch", *marks)),
        "edgetooltip": tooltip,
        "labeltooltip": tooltip,
        **_ink(note, view, taken=taken, thin=thin),
        **({"style": "dashed"} if weak or view.changes.get((step.key, outcome.key)) is Change.TAKEN_OUT else {}),
    }
    return Edge(edge_id(step.key, outcome.key), f"step-{step.key}", head, attributes, lines)


def _ink(note: BranchNote | None, view: ChartOptions, *, taken: bool, thin: bool) -> dict[str, str]:
    """Width from 1 to 4 points by the share of the busiest branch; a job's path outdoes it and the rest goes thin."""
    share = note.traffic / view.busiest if note and view.busiest else 0.0
    if taken:
        return {"penwidth": f"{TAKEN_PEN:g}", "color": INK, "arrowsize": "0.6"}
    if thin:
        return {"penwidth": "0.8", "color": FAINT, "fontcolor": SOFT}
    pen = 1 + 3 * share
    return {"penwidth": f"{pen:.1f}", "arrowsize": f"{0.8 - 0.08 * (pen - 1):.2f}"}
