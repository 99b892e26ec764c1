"""Forms of the desk: whatever is posted in whatever order, the draft can be exported and read back equal."""

from __future__ import annotations

from urllib.parse import urlencode

import pytest
from django.http import QueryDict
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.flow import editing
from shopkb.core.flow.editing import EditRefused, KeyNotFound
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.model import Flow
from shopkb.procedures.desk.form_actions import apply_form
from tests.builders import HORN_TEXT
from tests.examples import examples

WORDS = st.one_of(
    st.sampled_from(["", " ", "New step", "Look", "12 V", "1 V .. 2 V", ">= battery", "a\r\nb", "#", "x" * 130, "out"]),
    st.text(max_size=12),
)
GOES = st.sampled_from(["", "out:", "step:supply", "step:gone", "cause:horn-open", "hand-over:horn-control"])
BUTTONS = st.sampled_from(
    [
        "save",
        "up",
        "down",
        "delete",
        "add-outcome",
        "outcome-up",
        "outcome-down",
        "outcome-delete",
        "caution",
        "new-step",
    ]
)
KINDS = st.sampled_from(["look", "measure", "action", "question", "", "stare"])
Form = dict[str, str | list[str]]


@st.composite
def forms(draw: st.DrawFn, flow: Flow) -> Form:
    """One form of the desk about something that is there, or about something that is not."""
    kind = draw(st.sampled_from(["head", "step", "step", "step", "add-step", "cause", "value", "new-cause", "odd"]))
    step = draw(st.sampled_from([*flow.step_by_key, "gone"]))
    form: Form = {"form": kind, "step": step, "open": step, "title": draw(WORDS), "test": draw(KINDS)}
    outcomes = [outcome.key for outcome in flow.step_by_key[step].outcomes] if step in flow.step_by_key else []
    button, outcome = draw(BUTTONS | st.sampled_from(["new-cause", "odd"])), draw(st.sampled_from([*outcomes, "gone"]))
    form["do"] = f"{button}:{outcome}" if "-" in button and button != "add-outcome" else button
    for key in outcomes:
        form |= {f"o-{key}-label": draw(WORDS), f"o-{key}-go": draw(GOES), f"o-{key}-low": draw(WORDS)}
        form[f"o-{key}-high"] = draw(WORDS)
    more = {"new-label": WORDS, "minutes": WORDS, "instruction": WORDS, "quantity": st.sampled_from(["", "voltage"])}
    picks = ["part:body/horn", "part:x y", "cause:horn-open", "catalog:7", "new", ""]
    more |= {"unit": WORDS, "mode": WORDS, "pick": st.sampled_from(picks), "ask": WORDS}
    form |= {name: draw(words) for name, words in more.items() if draw(st.booleans())}
    form |= {"cause": draw(st.sampled_from([*flow.cause_by_key, "gone"])), "outcome": outcome}
    form |= {"value": draw(st.sampled_from([*flow.value_by_key, "", "new_one"])), "platforms": ["any"]}
    return form


@pytest.mark.django_db
@settings(max_examples=examples(15))
@given(data=st.data(), begun=st.booleans())
def test_any_sequence_of_forms_leaves_a_draft_that_reads_back_equal(data: st.DataObject, begun: bool) -> None:
    flow = editing.new_flow("horn-silent", "Horn stays silent", "body/horn")
    if begun:
        read = read_flow(HORN_TEXT).flow
        assert read is not None
        flow = read
    for _ in range(data.draw(st.integers(1, 8))):
        form = data.draw(forms(flow))
        try:
            done = apply_form(flow, QueryDict(urlencode(form, doseq=True)))
        except (EditRefused, KeyNotFound) as refusal:
            assert str(refusal).endswith((".", "?"))
            continue
        assert read_flow(write_flow(done.flow)).flow == done.flow
        for old, new in done.renamed.items():
            kind, _, key = old.partition(":")
            keys = {outcome.key for step in done.flow.steps for outcome in step.outcomes}
            assert new in (done.flow.step_by_key if kind == "step" else keys) or form["do"] != "save"
            assert key != new
        flow = done.flow
