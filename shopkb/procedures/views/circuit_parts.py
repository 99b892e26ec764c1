"""A circuit built from parts at the desk, and the first draft made of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_http_methods

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog.facts import facts
from shopkb.catalog.models import Access
from shopkb.charts.circuit_drawing import whole_circuit_svg
from shopkb.core.diagnosis.drafting.first_draft import NoDraft, first_draft, left_to_writer
from shopkb.core.diagnosis.drafting.places import working
from shopkb.core.flow.circuit_spec import PartSpec
from shopkb.core.flow.circuits.chain import LOADS, Added, Piece, begun, ends, with_part, without_part
from shopkb.core.flow.file.scalars import unwanted_character
from shopkb.core.flow.model import Flow
from shopkb.core.flow.names import cause_name, words_of_key
from shopkb.procedures import publishing
from shopkb.procedures.desk.desk_context import system_choices
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.publishing import ActionRefused, EditConflict
from shopkb.procedures.storing import flow_of
from shopkb.procedures.views.requested import requested_revision

PIECES: Mapping[Piece, str] = {
    Piece.FUSE: "Fuse",
    Piece.SWITCH: "Switch",
    Piece.RELAY: "Relay, coil and contacts",
    Piece.OUTPUT: "Control unit output",
    Piece.CONNECTOR: "Connector",
    Piece.RESISTOR: "Resistor",
    Piece.LOAD: "Load, with its plug",
    Piece.LAMP: "Lamp, with its plug",
    Piece.MOTOR: "Motor, with its plug",
    Piece.EARTH: "Earth point",
}


class PartForm(forms.Form):
    """A part, and the wire that leads to it."""

    piece = forms.ChoiceField(label="What comes next", choices=[(one.value, words) for one, words in PIECES.items()])
    name = forms.CharField(label="What it is called", max_length=40, help_text="Such as horn fuse.")
    behind = forms.ChoiceField(label="Its wire starts at")
    component = forms.ChoiceField(label="Component of the catalog", required=False)
    access = forms.ChoiceField(label="Reached with", required=False)
    amps = forms.FloatField(
        label="Current at 13 V", required=False, min_value=0.01, max_value=1000, help_text="In ampere, of a load."
    )
    ohms = forms.FloatField(
        label="Resistance", required=False, min_value=0.001, max_value=1e6,
        help_text="In ohm, of a resistor; of the coil of a relay, 80 if left out.",
    )  # fmt: skip
    switched_by = forms.CharField(
        label="Coil earthed by", required=False, max_length=40, help_text="Of a relay: such as horn button."
    )
    length = forms.FloatField(label="Length of the wire", initial=2, min_value=0.05, max_value=50, help_text="In m.")
    area = forms.FloatField(
        label="Cross-section of the wire", initial=1.5, min_value=0.1, max_value=120, help_text="In mm²."
    )

    def __init__(self, flow: Flow, data: Mapping[str, Any] | None = None) -> None:
        super().__init__(data)
        circuit = begun(flow).circuit
        points = [] if circuit is None else [(end, circuit.point_name(end)) for end in ends(circuit)]
        self._choices("behind", points)
        self._choices("component", [("", "none of these"), *system_choices()])
        self._choices("access", [("", "not said"), *Access.objects.order_by("pk").values_list("key", "name")])

    def _choices(self, name: str, choices: list[tuple[str, str]]) -> None:
        cast("forms.ChoiceField", self.fields[name]).choices = choices

    def clean_name(self) -> str:
        return _one_line(self.cleaned_data["name"])

    def clean_switched_by(self) -> str:
        return _one_line(self.cleaned_data["switched_by"])

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        piece = given.get("piece")
        if piece and Piece(piece) in LOADS and not given.get("amps"):
            self.add_error("amps", "Say what current it takes: readings under load follow from it.")
        if piece == Piece.RESISTOR and not given.get("ohms"):
            self.add_error("ohms", "Say its resistance.")
        return given

    def added(self) -> Added:
        """The part that the form gives."""
        given = self.cleaned_data
        return Added(
            Piece(given["piece"]), given["name"], given["behind"], given["component"], given["access"],
            given["amps"] or 0.0, given["ohms"] or 0.0, given["length"], given["area"], given["switched_by"],
        )  # fmt: skip


def _one_line(typed: str) -> str:
    """What the file takes as one line of text; else the draft could not be read any more once it is stored."""
    if unwanted_character(typed) or len(typed.splitlines()) > 1:
        raise forms.ValidationError("There is a character in it that no file holds. Type it anew, in one line.")
    return typed.strip()


@require_http_methods(["GET", "POST"])
def circuit_parts(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """The parts of the circuit in a row, one more at a time; and the button that makes a first draft of them."""
    require(request.user, Right.WRITE)
    revision = requested_revision(key, number)
    if not revision.may_change:
        messages.info(request, f"Revision {number} is {revision.get_state_display()}; make a new draft to change it.")
        return redirect("procedures:revision", key, number)
    flow = flow_of(revision)
    if request.method != "POST":
        return _page(request, revision, flow, PartForm(flow))
    do, _, what = request.POST.get("do", "add").partition(":")
    do = do if do in ("remove", "draft") else "add"
    form = PartForm(flow, request.POST) if do == "add" else PartForm(flow)
    if do == "add" and not form.is_valid():
        return _page(request, revision, flow, form, status=422)
    try:
        now = _done(flow, do, what, form, replaces=request.POST.get("replaces") == "yes")
        publishing.save_draft(revision, now, by=request.user, based_on=request.POST.get("based_on", ""))
    except NoDraft as refusal:
        return _page(request, revision, flow, PartForm(flow), status=422, refusal=str(refusal))
    except EditConflict:
        said = "Somebody else saved this draft meanwhile. Here it is as it stands now; what you typed is still below."
        return _page(request, revision, flow, form, status=409, refusal=said)
    except ActionRefused as refusal:
        return _page(request, revision, flow, form, status=422, refusal=str(refusal))
    if do == "add":
        messages.success(request, f"Added: {form.added().name}.")
    address = reverse("procedures:desk-circuit", args=[key, number])
    return redirect(f"{address}{_PLACES.get(do, '')}")


_PLACES: Mapping[str, str] = {"draft": "#drafted", "remove": "#parts"}
"""Where the page goes on after a button; after a new part with the next one, at its top."""


def _done(flow: Flow, do: str, what: str, form: PartForm, *, replaces: bool) -> Flow:
    if do == "remove":
        return without_part(flow, what)
    if do == "draft":
        if flow.steps and not replaces:
            raise NoDraft(
                f"The draft has {len(flow.steps)} steps already",
                "Tick that they may go, if they may; Undo at the desk brings them back.",
            )
        return first_draft(flow, facts({*Procedure.objects.values_list("key", flat=True), flow.procedure}))
    return with_part(flow, form.added())


def _page(
    request: SignedInRequest, revision: Revision, flow: Flow, form: PartForm, *, status: int = 200, refusal: str = ""
) -> HttpResponse:
    circuit = flow.circuit
    svg = whole_circuit_svg(flow, working(flow)) if circuit is not None and circuit.parts else ""
    context = {
        "revision": revision,
        "procedure": revision.procedure,
        "flow": flow,
        "form": form,
        "refusal": refusal,
        "rows": [_row(flow, part) for part in circuit.parts] if circuit is not None else [],
        "drawing": mark_safe(svg),  # noqa: S308 - our own drawing
        "left": left_to_writer(flow) if flow.steps else (),
        "section": "procedures",
    }
    return render(request, "procedures/desk/circuit.html", context, status=status)


def _row(flow: Flow, part: PartSpec) -> dict[str, Any]:
    circuit = flow.circuit
    causes = [cause for cause in flow.causes if cause.fault is not None and part.key in cause.fault.parts]
    sizes = [f"{one.text()}" for one in (part.ohms, part.amps, part.area, part.length) if one is not None]
    return {
        "key": part.key,
        "name": words_of_key(part.key),
        "kind": {"contact": "relay contacts", "coil": "relay coil", "terminal": "joint"}.get(part.kind, part.kind),
        "first": circuit.point_name(part.first) if circuit else part.first,
        "second": circuit.point_name(part.second) if circuit else part.second,
        "size": ", ".join(sizes),
        "faults": [f"{cause_name(cause.component, cause.mode)} ({cause.usual})" for cause in causes],
    }
