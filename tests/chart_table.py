"""How every chart of the shelf is drawn, as a Markdown table: ``python -m tests.chart_table``.

For each drawing: arrows, points at which two of them cross, words that a foreign arrow runs over, width and height in
CSS pixels, and the size of its letters where the whole chart is in view on a screen of 1440 x 900. *Before* is the
flowchart with shared ends that pages showed until cards came, measured in the same way and kept in
``tests/data/charts_before.json``; ``--json`` writes what that file holds. Every branch has the same evidence.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from shopkb.charts.branch_notes import BranchNote
from shopkb.charts.drawings import Drawing, chart_as
from shopkb.charts.render import render
from shopkb.charts.view import ChartOptions
from shopkb.core.flow.model import Flow
from tests.charts.geometry import Geometry, geometry
from tests.shelf import SHELF

WINDOW = 1380, 610
"""CSS pixels of the window of a chart on a screen of 1440 x 900."""

BEFORE = Path(__file__).parent / "data" / "charts_before.json"
NOTE = BranchNote(41, 30, 44, 0.58, 0.84)


def drawn(flow: Flow, drawing: Drawing) -> Geometry:
    """The chart of a procedure, drawn."""
    notes = {(step.key, outcome.key): NOTE for step, outcome in flow.branches}
    return geometry(render(chart_as(flow, drawing, ChartOptions(notes=notes)), "svg", seconds=60))


def figures(found: Geometry) -> dict[str, float]:
    """What the table says of a drawing."""
    return {
        "arrows": len(found.arrows),
        "crossings": found.crossings,
        "words cut": len(found.words_cut),
        "width": round(found.width * 4 / 3),
        "height": round(found.height * 4 / 3),
        "letters": round(found.letters_at_fit(*WINDOW), 1),
    }


def cells(one: dict[str, float]) -> str:
    """``86 | 60 | 6 | 4921 x 2297 | 4.3``."""
    size = f"{one['width']:.0f} x {one['height']:.0f}"
    return f"{one['arrows']} | {one['crossings']} | {one['words cut']} | {size} | {one['letters']}"


def main() -> None:
    if "--json" in sys.argv:
        found = {key: figures(drawn(flow, Drawing.FLOWCHART)) for key, flow in sorted(SHELF.items())}
        print(json.dumps(found, indent=1))
        return
    before = json.loads(BEFORE.read_text(encoding="utf-8"))
    columns = "arrows | crossings | words cut | size, px | letters, px"
    print(f"| procedure | steps | drawing | {columns} |")
    print("| --- | --: | --- | --: | --: | --: | --: | --: |")
    for key, flow in sorted(SHELF.items()):
        print(f"| {key} | {len(flow.steps)} | before | {cells(before[key])} |")
        for drawing in Drawing:
            print(f"| | | {drawing} | {cells(figures(drawn(flow, drawing)))} |", flush=True)


if __name__ == "__main__":
    main()
