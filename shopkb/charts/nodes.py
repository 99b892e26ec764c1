"""Nodes: the start, the steps, and every end with its proof."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shopkb.charts.branch_notes import possibility_text
from shopkb.charts.dot_text import Node, escaped, label, record_label
from shopkb.charts.inks import HEAD, HEAD_TEXT
from shopkb.charts.labels import BY_ELIMINATION, proof_label, step_label
from shopkb.charts.lettering import balanced, shortened
from shopkb.charts.shapes import SHAPES, Sign, sign_of, size_of, step_lines
from shopkb.charts.view import (
    AMBER,
    CARD,
    FAINT,
    SOFT,
    TINT,
    YOU_ARE_HERE,
    ChartOptions,
    cause_label,
    end_id,
    site_path,
)
from shopkb.core.flow.model import Cause, Flow, GoKind, Outcome, Step

NO_START = "no-first-step"
PROVEN_PEN = "2.2"
_ROUNDED_DASHED, _DASHED = "rounded,filled,dashed", "filled,dashed"


@dataclass(frozen=True, slots=True)
class _Drawn:
    """One node before it is written.

    ``role`` holds its first class names, ``marks`` further ones that change its ink;
    ``link`` is the key to look for in the links of the view.
    """

    name: str
    role: str
    sign: Sign
    lines: Sequence[str]
    tooltip: str
    link: str = ""
    marks: tuple[str, ...] = ()


def start_node(flow: Flow, view: ChartOptions) -> list[Node]:
    """The start with the procedure's title; a draft without a first step gets a node that says so."""
    title = flow.title or flow.procedure
    marks = ("taken",) if view.path else ()
    lines = balanced(shortened(title), 30)
    nodes = [_Drawn("start", "start", Sign.TERMINATOR, lines, f"Start: {title}", marks=marks)]
    if flow.start not in flow.step_by_key:
        words = "no first step yet"
        nodes.append(_Drawn(NO_START, "nowhere", Sign.PROCESS, (words,), words))
    return [_written(node, view) for node in nodes]


def step_nodes(flow: Flow, view: ChartOptions) -> list[Node]:
    """One node for every step, in the writer's order."""
    visited = {step for step, _ in view.path}
    return [_written(_step(flow, step, view, step.key in visited), view) for step in flow.steps]


def _step(flow: Flow, step: Step, view: ChartOptions, visited: bool) -> _Drawn:
    sign = sign_of(step)
    here = step.key == view.now
    said = (view.change_text(step.key), YOU_ARE_HERE if here else "")
    lines = step_lines(sign, flow.number_by_step[step.key], step.title, tuple(filter(None, said)))
    marks = _path_marks(view, visited or here or (step.key, "") in view.changes)
    return _Drawn(
        f"step-{step.key}",
        "step",
        sign,
        lines,
        step_label(flow, step, view),
        step.key,
        ("now", *marks) if here else marks,
    )


def end_nodes(flow: Flow, view: ChartOptions) -> list[Node]:
    """One node for every cause and procedure that a step leads to, beside that step, and one for every way out."""
    branches = branches_into(flow)
    return [
        _written(_end(flow, name, into, view), view) for name, into in branches.items() if not name.startswith("step-")
    ]


def branches_into(flow: Flow) -> dict[str, list[tuple[Step, Outcome]]]:
    """The branches that lead to each node, by the node's id."""
    branches: dict[str, list[tuple[Step, Outcome]]] = {}
    for step in flow.steps:
        for outcome in step.outcomes:
            branches.setdefault(end_id(flow, step, outcome), []).append((step, outcome))
    return branches


def _end(flow: Flow, name: str, into: Sequence[tuple[Step, Outcome]], view: ChartOptions) -> _Drawn:
    taken = any((step.key, outcome.key) in view.taken for step, outcome in into)
    marks = _path_marks(view, taken)
    outcome = into[0][1]
    go = outcome.go
    if name.startswith("cause-"):
        return _cause(name, flow.cause_by_key[go.key], [outcome for _, outcome in into], view, marks)
    if name.startswith("hand-over-"):
        title = view.titles.get(go.key) or go.key.replace("-", " ")
        lines = ("go on with", *balanced(shortened(title), 24))
        tooltip = f"Go on with the procedure: {title}"
        return _Drawn(name, "hand-over", Sign.PREDEFINED_PROCESS, lines, tooltip, go.text(), marks)
    if go.kind is GoKind.OUT:
        note = outcome.note or "Leave without a cause"
        return _Drawn(name, "out end", Sign.TERMINATOR, balanced(shortened(note, 120), 24), note, marks=marks)
    words = f"leads nowhere: no step or cause {shortened(go.key, 60)}" if go.key else "leads nowhere yet"
    return _Drawn(name, "nowhere", Sign.PROCESS, balanced(words, 20), words, marks=marks)


def _cause(node: str, cause: Cause, into: Sequence[Outcome], view: ChartOptions, marks: tuple[str, ...]) -> _Drawn:
    name = cause_label(cause, view)
    proof = proof_label([outcome.proof for outcome in into])
    lines = [*balanced(shortened(name), 24), *balanced(proof, 34)]
    if cause.key in view.possible:
        lines.append(possibility_text(view.possible[cause.key]))
    weak = ("weak",) if proof == BY_ELIMINATION else ()
    tooltip = f"{name}. Correction: {cause.correction or 'not written yet'}"
    return _Drawn(node, "cause", Sign.TERMINATOR, lines, tooltip, cause.key, (*weak, *marks))


def _path_marks(view: ChartOptions, on_path: bool) -> tuple[str, ...]:
    if not view.path:
        return ()
    return ("taken",) if on_path else ("thin",)


def _written(node: _Drawn, view: ChartOptions) -> Node:
    is_record = node.sign is Sign.PREDEFINED_PROCESS
    size = size_of(node.sign, node.lines)
    attributes = {
        "label": record_label(node.lines) if is_record else label(node.lines),
        "class": " ".join((node.role, node.sign.value, *node.marks)),
        "tooltip": escaped(shortened(node.tooltip)),
        **SHAPES[node.sign],
        **({"width": f"{size[0] / 72:.2f}", "height": f"{size[1] / 72:.2f}"} if size else {}),
        **_ink(node),
    }
    if node.link and node.link in view.links:
        attributes["URL"] = escaped(site_path(view.links[node.link]))
    return Node(node.name, attributes, node.lines)


def _ink(node: _Drawn) -> dict[str, str]:
    """Fill, line and dash. What must survive a black-and-white print differs in width and dash, not in colour alone."""
    ink: dict[str, str] = {}
    if node.role == "start":
        ink |= {"fillcolor": HEAD, "fontcolor": HEAD_TEXT}
    if node.role == "cause":
        ink |= {"fillcolor": TINT, "penwidth": PROVEN_PEN}
    if "weak" in node.marks:
        ink["style"] = _ROUNDED_DASHED
    if node.role == "nowhere":
        ink["style"] = _DASHED
    if "thin" in node.marks:
        ink |= {"color": FAINT, "fontcolor": SOFT, "penwidth": "0.8", "fillcolor": CARD}
    if "taken" in node.marks:
        ink["penwidth"] = "3"
    if "now" in node.marks:
        ink |= {"fillcolor": AMBER, "penwidth": "2.4", "peripheries": "2"}
    return ink
