"""A revision on paper: the sheets of its chart, which the form with blanks follows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from shopkb.charts.drawings import Drawing
from shopkb.charts.printing import Paper
from shopkb.charts.refusals import ChartUnavailable
from shopkb.charts.sheets import steps_text
from shopkb.charts.view import ChartOptions
from shopkb.core.flow.model import Flow
from shopkb.procedures.drawing import chart_of, sheet_steps
from shopkb.procedures.learned_today import learned_today
from shopkb.procedures.models import Revision


def paper_asked(query: Mapping[str, str]) -> Paper:
    """The size of sheet that an address asks for, else A4."""
    asked = query.get("paper", "")
    return Paper(asked) if asked in set(Paper) else Paper.A4


def title_on_sheets(flow: Flow, number: int) -> str:
    """What every sheet of a revision is titled."""
    return f"{flow.title}, revision {number}"


@dataclass(frozen=True)
class Sheets:
    """Keys of the steps on each sheet of a chart, in order; one sheet for all where it cannot be drawn."""

    flow: Flow
    steps: tuple[tuple[str, ...], ...]

    @cached_property
    def number(self) -> dict[str, int]:
        """On which sheet each step is, counted from 1."""
        return {key: at for at, keys in enumerate(self.steps, 1) for key in keys}

    def heading(self, number: int) -> str:
        """As the sheet of the chart has it: ``Sheet 2 of 4, steps 5 to 9``; without the sheet where there is one."""
        steps = steps_text([self.flow.number_by_step[key] for key in self.steps[number - 1]])
        return f"Sheet {number} of {len(self.steps)}, {steps}" if len(self.steps) > 1 else steps.capitalize()


def sheets_of(flow: Flow, revision: Revision, paper: Paper) -> Sheets:
    """How the chart of a revision is cut on this paper, with what closed jobs say on its cards."""
    options = ChartOptions(notes=learned_today(flow, revision.checksum).notes)
    try:
        chart = chart_of(flow, options, Drawing.TALL)
        found = sheet_steps(flow, chart, paper, title_on_sheets(flow, revision.number))
    except ChartUnavailable:
        found = ()
    return Sheets(flow, found or (tuple(step.key for step in flow.steps),))
