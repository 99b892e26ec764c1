"""The page on which a writer draws arrows and letters on a picture of a step."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.core.flow.editing import EditRefused
from shopkb.procedures import publishing
from shopkb.procedures.desk.desk_context import desk_address
from shopkb.procedures.instruction_pictures import shown_pictures
from shopkb.procedures.models import Picture, Revision
from shopkb.procedures.picture_marks import MOST_MARKS, Mark, exchanged, keep_marked, marks_of
from shopkb.procedures.publishing import ActionRefused
from shopkb.procedures.storing import flow_of


def _per_cent(label: str) -> forms.FloatField:
    box = forms.NumberInput(attrs={"step": "0.1", "inputmode": "decimal"})
    return forms.FloatField(label=label, min_value=0, max_value=100, required=False, widget=box)


class MarkForm(forms.Form):
    """One mark; a row without a place is none."""

    letter = forms.CharField(
        label="Letter", max_length=2, required=False, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    x = _per_cent("Points to, % from the left")
    y = _per_cent("Points to, % from the top")
    from_x = _per_cent("Begins, % from the left")
    from_y = _per_cent("Begins, % from the top")

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        for one, other in (("x", "y"), ("y", "x"), ("from_x", "from_y"), ("from_y", "from_x")):
            if data.get(one) is not None and data.get(other) is None and other not in self.errors:
                self.add_error(other, "A place has two numbers: from the left and from the top.")
        placed = data.get("x") is not None
        if not placed and (data.get("letter") or data.get("from_x") is not None) and not self.errors:
            self.add_error("x", "Say where it points to, or empty the row.")
        if placed and not data.get("letter") and data.get("from_x") is None and not self.errors:
            self.add_error("letter", "Give a letter, or where the arrow begins.")
        return data

    @property
    def mark(self) -> Mark | None:
        data = self.cleaned_data
        if data.get("x") is None:
            return None
        return Mark(data["letter"].strip(), data["x"], data["y"], data["from_x"], data["from_y"])


MarkForms = forms.formset_factory(
    MarkForm, extra=MOST_MARKS, max_num=MOST_MARKS, absolute_max=MOST_MARKS, validate_max=True
)


@require_http_methods(["GET", "HEAD", "POST"])
def picture_marks(request: SignedInRequest, key: str, number: int, name: str) -> HttpResponse:
    """Draw on a picture that a step of a draft shows; the step shows the drawn one from then on."""
    require(request.user, Right.WRITE)
    rows = Revision.objects.select_related("procedure", "author")
    revision = get_object_or_404(rows, procedure__key=key, number=number)
    picture = get_object_or_404(Picture.objects.select_related("of"), name=name)
    step = request.POST.get("step", "") or request.GET.get("step", "")
    flow = flow_of(revision)
    if step not in flow.step_by_key or name not in dict(shown_pictures(flow.step_by_key[step].instruction)):
        raise Http404
    held = [{field: getattr(mark, field) for field in Mark.__dataclass_fields__} for mark in marks_of(picture)]
    rows_typed = MarkForms(request.POST or None, prefix="marks", initial=held)
    if request.method == "POST" and rows_typed.is_valid():
        marks = [form.mark for form in rows_typed.forms if form.mark]
        try:
            if not revision.may_change:
                raise ActionRefused("This step can no longer be changed. Open the draft again.")
            kept = keep_marked(picture, marks, by=request.user, at=timezone.now())
            changed = exchanged(flow, step, picture, kept)
            publishing.save_draft(revision, changed, by=request.user, based_on=revision.checksum)
            return redirect(desk_address(revision, step))
        except (ActionRefused, EditRefused) as error:
            messages.error(request, str(error))
    context = {
        "revision": revision,
        "procedure": revision.procedure,
        "step": flow.step_by_key[step],
        "picture": picture.of or picture,
        "words": dict(shown_pictures(flow.step_by_key[step].instruction))[name],
        "rows": rows_typed,
        "back": desk_address(revision, step),
        "section": "procedures",
    }
    refused = request.method == "POST" and not rows_typed.is_valid()
    return render(request, "procedures/desk/picture_marks.html", context, status=422 if refused else 200)
