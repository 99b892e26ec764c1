"""The head of a card: number and title, then the kind of test, minutes, access, and the signal word of a hazard."""

from __future__ import annotations

from shopkb.charts.html_label import Element, Line, cell, table
from shopkb.charts.inks import CARD_WIDTH, NUMBER_SIZE, SIGNAL_GROUND, SIGNAL_TEXT, SMALL_SIZE, TITLE_SIZE, Ink
from shopkb.charts.labels import TEST_KIND_NAMES
from shopkb.charts.lettering import set_width, shortened, wrap_to
from shopkb.charts.shapes import BY_HAND
from shopkb.charts.view import YOU_ARE_HERE, ChartOptions
from shopkb.core.flow.comparison.merged_diff import Change
from shopkb.core.flow.model import Flow, Step
from shopkb.core.flow.names import words_of_key

NUMBER_ROOM, BOX_HEIGHT = 34, 17
TITLE_ROOM = CARD_WIDTH - NUMBER_ROOM - 16


def card_head(flow: Flow, step: Step, view: ChartOptions, ink: Ink) -> tuple[Element, list[Line]]:
    """The cell of the head and its lines in the order they are drawn."""
    fold = view.folds.get(step.key)
    number = Line(view.number(flow, step.key), NUMBER_SIZE, ink.head_text, bold=True)
    room = TITLE_ROOM - max(round(set_width(number.text, NUMBER_SIZE, bold=True)) - 22, 0)
    title = [
        Line(text, TITLE_SIZE, ink.head_text, bold=True)
        for text in wrap_to(shortened(fold.name if fold else step.title), room, TITLE_SIZE, bold=True)
    ]
    if step.key == view.now:
        title.append(Line(YOU_ARE_HERE, TITLE_SIZE, ink.head_text))
    band = [
        cell([number], cellpadding=5, valign="top", width=NUMBER_ROOM),
        cell(title, cellpadding=6, width=room + 12, valign="middle"),
    ]
    facts, lines = _facts(step, view, ink)
    head = table(
        [cell(table(band, bgcolor=ink.head), bgcolor=ink.head)], [cell(facts)],
    )  # fmt: skip
    return cell(head), [number, *title, *lines]


def _facts(step: Step, view: ChartOptions, ink: Ink) -> tuple[Element, list[Line]]:
    """The sign of the kind of test, filled for what is done by hand, minutes and signal word; below them the access."""
    by_hand = step.test in BY_HAND and step.key not in view.folds
    fold = view.folds.get(step.key)
    kind = Line(
        "folded" if fold else TEST_KIND_NAMES[step.test], SMALL_SIZE, ink.card if by_hand else ink.text, bold=True
    )
    filled = {"bgcolor": ink.text} if by_hand else {}
    sign = boxed(kind, border=1, color=ink.text, **filled)
    lines, marks = [kind], []
    minutes = Line(f"{step.minutes:g} min", SMALL_SIZE, ink.soft) if step.minutes else None
    signal = view.signals.get(step.key, "")
    if minutes is not None:
        lines.append(minutes)
    if signal in SIGNAL_GROUND:
        lines.append(Line(signal, SMALL_SIZE, SIGNAL_TEXT[signal], bold=True))
        marks.append(boxed(lines[-1], bgcolor=SIGNAL_GROUND[signal]))
    between = CARD_WIDTH - 20 - sum(box_width(word, SMALL_SIZE) for word in (kind.text, signal) if word)
    parts = [sign, cell([minutes] if minutes else None, width=between), *marks]
    rows = [[cell(table(parts, cellspacing=4), align="left")]]
    if change := change_row(view, ink, step.key):
        rows.append([change[0]])
        lines.append(change[1])
    if step.access or fold:
        words = fold.facts if fold else view.access.get(step.access) or words_of_key(step.access)
        facts = [Line(text, SMALL_SIZE, ink.soft) for text in wrap_to(shortened(words), CARD_WIDTH - 14, SMALL_SIZE)]
        rows.append([cell(table([cell(facts, cellpadding=4)]), align="left")])
        lines += facts
    return table(*rows, width=CARD_WIDTH - 2), lines


def change_row(view: ChartOptions, ink: Ink, step: str, outcome: str = "") -> tuple[Element, Line] | None:
    """Sign and word of what became of a step or an outcome, filled where it is new, dashed where it is gone."""
    change = view.changes.get((step, outcome))
    if change is None:
        return None
    added, gone = change is Change.ADDED, change is Change.TAKEN_OUT
    line = Line(view.change_text(step, outcome), SMALL_SIZE, ink.card if added else ink.text, bold=True)
    look = {"bgcolor": ink.text} if added else {"style": "dashed"} if gone else {}
    rest = cell(width=max(CARD_WIDTH - 24 - box_width(line.text, line.size), 1))
    return cell(table([boxed(line, border=1, color=ink.text, **look), rest], cellspacing=2), align="left"), line


def box_width(text: str, size: float) -> int:
    """Points across a box around a word, bold or not."""
    return round(set_width(text, size, bold=True) * 1.04 + 8)


def boxed(line: Line, **look: object) -> Element:
    """A word in a box of its own size, however high the row is."""
    wide = box_width(line.text, line.size)
    return cell([line], align="center", **look, fixedsize="true", width=wide, height=BOX_HEIGHT)
