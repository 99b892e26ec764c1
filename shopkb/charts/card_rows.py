"""The rows of a card: an outcome with its limit, how many jobs had it, how often it was right, and where it leads."""

from __future__ import annotations

from collections.abc import Sequence

from shopkb.charts.branch_notes import evidence_line, possibility_text
from shopkb.charts.card_head import box_width, boxed, change_row
from shopkb.charts.html_label import Element, Line, cell, table
from shopkb.charts.inks import BAR, BAR_REST, CARD_EDGE, CARD_WIDTH, EVIDENCE_SIZE, MONO, SMALL_SIZE, TEXT_SIZE, Ink
from shopkb.charts.labels import proof_word
from shopkb.charts.lettering import shortened, wrap, wrap_to
from shopkb.charts.view import ChartOptions, cause_label
from shopkb.charts.way import rules_nothing_out
from shopkb.core.flow.model import Flow, GoKind, Outcome, Proof, Step

MONO_WIDTH = 7
"""Points to a character of a limit."""
BAR_HEIGHT, PAD, ONWARD_WIDTH = 4, 4, 36
ROOM = CARD_WIDTH - 2 * PAD - 4
"""Points for text in a row."""


def card_row(
    flow: Flow, step: Step, outcome: Outcome, view: ChartOptions, ink: Ink, *, arrows_at_rows: bool
) -> tuple[Element, list[Line]]:
    """The cell of one outcome and its lines in the order they are drawn."""
    ends = not (outcome.go.kind is GoKind.STEP and outcome.go.key in flow.step_by_key)
    taken = (step.key, outcome.key) in view.taken
    aside, word, wide = _aside(flow, outcome, view, ink)
    room = ROOM - (wide + PAD if wide else 0)
    label = wrap_to(shortened(outcome.label), room, TEXT_SIZE, bold=taken)
    said = [Line(text, TEXT_SIZE, ink.text, bold=taken) for text in label]
    said += [Line(text, SMALL_SIZE, ink.text, face=MONO) for text in wrap(limit_text(outcome), room // MONO_WIDTH)]
    columns = {"colspan": 2} if wide else {}
    rows = [[cell(said, width=room), *aside]]
    lines = [*said, *word]
    if change := change_row(view, ink, step.key, outcome.key):
        rows.insert(0, [cell(table([change[0]]), align="left", **columns)])
        lines.insert(0, change[1])
    if end := _end_lines(flow, outcome, view, ink) if ends and step.key not in view.folds else []:
        rows.append([cell(end, **columns)])
        lines += end
    note = view.notes.get((step.key, outcome.key))
    if note is not None and note.traffic:
        evidence = Line(
            evidence_line(note, _came(view, step), tells=not rules_nothing_out(flow, step, outcome)),
            EVIDENCE_SIZE,
            ink.text if ends else ink.soft,
        )
        rows += [[cell(_bar(note.traffic / _came(view, step)), **columns)], [cell([evidence], **columns)]]
        lines.append(evidence)
    port = {"port": f"row-{outcome.key}"} if arrows_at_rows else {}
    ground = {"bgcolor": ink.end} if ends else {}
    return cell(table(*rows, cellspacing=PAD), border=1, sides="T", color=CARD_EDGE, **port, **ground), lines


def _aside(flow: Flow, outcome: Outcome, view: ChartOptions, ink: Ink) -> tuple[list[Element], list[Line], int]:
    """At the right of a row: where it goes on, or how its cause is proven, dashed where nothing but elimination is.

    The cell if there is one, its lines, and points across.
    """
    go = outcome.go
    if go.kind is GoKind.STEP and go.key in flow.step_by_key:
        line = Line(f"→ {view.number(flow, go.key)}", TEXT_SIZE, ink.text, bold=True)
        return [cell([line], align="right", valign="top", width=ONWARD_WIDTH)], [line], ONWARD_WIDTH
    if go.kind is not GoKind.CAUSE or go.key not in flow.cause_by_key:
        return [], [], 0
    line = Line(proof_word(outcome.proof), EVIDENCE_SIZE, ink.text)
    style = {"style": "dashed"} if outcome.proof in (None, Proof.ELIMINATION) else {}
    box = table([boxed(line, border=1, color=ink.text, **style)])
    wide = box_width(line.text, EVIDENCE_SIZE)
    return [cell(box, align="right", valign="top", width=wide)], [line], wide


def limit_text(outcome: Outcome) -> str:
    """The readings that give an outcome, as signs of comparison."""
    text = outcome.band.text() if outcome.band else ""
    return text.replace(">=", "≥").replace("<=", "≤").replace(" .. ", " to ").replace(" * ", " × ").replace("_", " ")


def foot_strip(flow: Flow, onward: Sequence[Outcome], view: ChartOptions, ink: Ink) -> tuple[Element, list[Line]]:
    """A strip with the number of each step that the card leads to, where arrows leave."""
    targets = list(dict.fromkeys(outcome.go.key for outcome in onward))
    cells, lines = [], []
    for place, key in enumerate(targets):
        number = Line(f"↓ {view.number(flow, key)}", TEXT_SIZE, ink.text, bold=True)
        sides = {"border": 1, "sides": "L", "color": CARD_EDGE} if place else {}
        wide = (CARD_WIDTH - 2) // len(targets)
        cells.append(
            cell([number], port=f"exit-{key}", align="center", balign="center", width=wide, cellpadding=2, **sides)
        )
        lines.append(number)
    return cell(table(cells), border=1, sides="T", color=CARD_EDGE), lines


def _end_lines(flow: Flow, outcome: Outcome, view: ChartOptions, ink: Ink) -> list[Line]:
    """What an outcome ends with: a cause and its proof, another procedure, or leaving."""
    go = outcome.go
    if go.kind is GoKind.CAUSE and go.key in flow.cause_by_key:
        words = shortened(cause_label(flow.cause_by_key[go.key], view))
        name = [Line(text, TEXT_SIZE, ink.end_text, bold=True) for text in wrap_to(words, ROOM, TEXT_SIZE, bold=True)]
        small = [possibility_text(view.possible[go.key])] if go.key in view.possible else []
        return [*name, *(Line(text, SMALL_SIZE, ink.text) for text in small)]
    if go.kind is GoKind.HAND_OVER and go.key:
        words = f"go on with: {view.titles.get(go.key) or go.key.replace('-', ' ')}"
    elif go.kind is GoKind.OUT:
        words = f"leave: {outcome.note}" if outcome.note else "leave without a cause"
    else:
        words = f"leads nowhere: no step or cause {shortened(go.key, 60)}" if go.key else "leads nowhere yet"
    return [Line(text, SMALL_SIZE, ink.text) for text in wrap_to(shortened(words, 120), ROOM, SMALL_SIZE)]


def _came(view: ChartOptions, step: Step) -> int:
    """Jobs that had any outcome of the step."""
    notes = (view.notes.get((step.key, outcome.key)) for outcome in step.outcomes)
    return sum(note.traffic for note in notes if note)


def _bar(share: float) -> Element:
    """A share as a bar over the width of the card."""
    filled = min(max(round(ROOM * share), 2), ROOM)
    part = cell(width=filled, height=BAR_HEIGHT, fixedsize="true", bgcolor=BAR, align="left")
    rest = [cell(width=ROOM - filled, height=BAR_HEIGHT)] if filled < ROOM else []
    return table([part, *rest], bgcolor=BAR_REST)
