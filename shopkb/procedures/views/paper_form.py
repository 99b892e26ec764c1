"""A revision as a form on paper: blanks for readings, boxes to tick, and the way back from paper to the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.catalog.models import Caution
from shopkb.charts.circuit_drawing import circuit_svg, circuit_words
from shopkb.core.flow.checks.standing_cautions import standing_cautions
from shopkb.core.flow.circuits.told import ToldReading, in_order, told_readings
from shopkb.core.flow.model import Flow, GoKind, Outcome, Step
from shopkb.core.flow.names import leads_to
from shopkb.core.flow.paths import causes_from
from shopkb.procedures.drawing import drawing_slots
from shopkb.procedures.hand_overs import titles_behind
from shopkb.procedures.printed import Sheets, paper_asked, sheets_of
from shopkb.procedures.storing import flow_of
from shopkb.procedures.views.requested import requested_revision
from shopkb.web.qr import qr_code


@dataclass(frozen=True, slots=True)
class PaperStep:
    """One step on the form. ``still``: cautions of earlier steps that hold here too. ``square``: the QR code (ISO/IEC
    18004) of its page. ``outcomes``: each with where it leads, and the sheet if that is another one."""

    number: int
    step: Step
    cautions: tuple[Caution, ...]
    still: tuple[Caution, ...]
    outcomes: tuple[tuple[Outcome, str, int | None], ...]
    address: str
    square: SafeString
    would_read: tuple[ToldReading, ...] = ()
    drawing: str = ""
    circuit_words: str = ""


@dataclass(frozen=True, slots=True)
class PaperSheet:
    """The steps that stand on one sheet of the chart; ``heading`` as that has it."""

    heading: str
    steps: tuple[PaperStep, ...]


@require_safe
def paper_form(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """The whole procedure to print, step by step as the sheets of its chart are cut."""
    revision = requested_revision(key, number)
    flow = flow_of(revision)
    with drawing_slots.taken(request.user.pk):
        known = {row.key: row for row in Caution.objects.all()}
        cut = sheets_of(flow, revision, paper_asked(request.GET))
        titles = titles_behind(outcome for _step, outcome in flow.branches)
        form = PaperForm(flow, cut, known, titles, lambda key: request.build_absolute_uri(_page(flow, number, key)))
        context = {"revision": revision, "flow": flow, "sheets": form.sheets, "section": "procedures"}
        return render(request, "procedures/paper.html", context)


def _page(flow: Flow, number: int, step: str) -> str:
    return reverse("procedures:step", args=[flow.procedure, number, step])


@dataclass(frozen=True, slots=True)
class PaperForm:
    """A form: the procedure, how its chart is cut, cautions by key, titles of the procedures handed over to, and what
    gives the address of a step's page."""

    flow: Flow
    cut: Sheets
    cautions: Mapping[str, Caution]
    titles: Mapping[str, str]
    address: Callable[[str], str]

    @property
    def sheets(self) -> list[PaperSheet]:
        return [
            PaperSheet(self.cut.heading(number), tuple(self._step(self.flow.step_by_key[key]) for key in keys))
            for number, keys in enumerate(self.cut.steps, 1)
        ]

    def _step(self, step: Step) -> PaperStep:
        address = self.address(step.key)
        return PaperStep(
            self.flow.number_by_step[step.key],
            step,
            tuple(self.cautions[key] for key in step.cautions if key in self.cautions),
            tuple(self.cautions[key] for key in standing_cautions(self.flow, step) if key in self.cautions),
            tuple(
                (outcome, leads_to(self.flow, outcome.go, self.titles), self._other(step, outcome))
                for outcome in step.outcomes
            ),
            address,
            qr_code(address, "QR code of this step", border=2),
            told_readings(self.flow, step, possible=in_order(self.flow, {}, causes_from(self.flow, step.key))),
            mark_safe(circuit_svg(self.flow, step)),  # noqa: S308 - our own drawing
            circuit_words(self.flow, step),
        )

    def _other(self, step: Step, outcome: Outcome) -> int | None:
        number = self.cut.number.get(outcome.go.key) if outcome.go.kind is GoKind.STEP else None
        return number if number != self.cut.number[step.key] else None
