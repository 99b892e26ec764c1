"""The writer's desk: cards saved as typed, nothing overwritten, everything undone, and no query too many."""

from __future__ import annotations

import html
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pytest_django import DjangoAssertNumQueries

from shopkb.accounts.models import User
from shopkb.accounts.roles import RIGHTS, Right, Role
from shopkb.catalog.cause_registry import cause_for
from shopkb.catalog.models import System
from shopkb.core.flow import editing
from shopkb.core.flow.editing import EditRefused, KeyNotFound
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow, write_group
from shopkb.core.flow.model import Flow, Go, GoKind, Proof
from shopkb.procedures import publishing
from shopkb.procedures.desk.desk_context import hanging_on, outcome_row, typed_step
from shopkb.procedures.desk.since_review import since_review
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.publishing import ActionRefused
from shopkb.procedures.storing import checksum, flow_of
from tests.builders import HORN_TEXT
from tests.conftest import NOW
from tests.core.flow.test_editing import actions
from tests.examples import examples

FAN = "overheats-fan-silent"


@pytest.fixture
def desk(client: Client, catalog: None, senior: User) -> Client:
    client.force_login(senior)
    return client


@pytest.fixture
def draft(desk: Client) -> Revision:
    """A draft with one step, made at the desk."""
    desk.post(reverse("procedures:desk-new"), {"title": "Lamp dark", "system": "cooling/fan", "symptom": ""})
    revision = Revision.objects.get(procedure__key="lamp-dark")
    said(desk, revision, form="add-step")
    card(desk, revision, "new-step", title="Look at the plug")
    return revision


def said(desk: Client, revision: Revision, htmx: bool = False, **fields: Any) -> Any:
    revision.refresh_from_db()
    address = reverse("procedures:desk-act", args=[revision.procedure.key, revision.number])
    headers = {"HX-Request": "true"} if htmx else {}
    return desk.post(address, {"based_on": revision.checksum, **fields}, headers=headers)


def card(desk: Client, revision: Revision, step: str, **fields: Any) -> Any:
    """The whole card of a step posted, as a browser does, with some fields typed anew."""
    flow = flow_of(revision)
    one = flow.step_by_key[step]
    held: dict[str, Any] = {
        "form": "step",
        "step": step,
        "title": one.title,
        "test": one.test.value,
        "instruction": one.instruction,
    }
    for outcome in one.outcomes:
        go = "" if outcome.go.kind is GoKind.NOWHERE else f"{outcome.go.kind}:{outcome.go.key}"
        held |= {f"o-{outcome.key}-label": outcome.label, f"o-{outcome.key}-go": go}
        held[f"o-{outcome.key}-proof"] = outcome.proof.value if outcome.proof else ""
    return said(desk, revision, **{**held, **fields})


def now(revision: Revision) -> Flow:
    revision.refresh_from_db()
    return flow_of(revision)


def test_a_new_procedure_needs_no_file_and_its_keys_follow_its_words(desk: Client, draft: Revision) -> None:
    card(desk, draft, "look-at-the-plug", **{"do": "add-outcome", "new-label": "Green and wet"})
    card(desk, draft, "look-at-the-plug", do="new-step:green-and-wet")
    card(desk, draft, "new-step", title="Look at the fan")
    flow = now(draft)
    assert (flow.procedure, flow.start) == ("lamp-dark", "look-at-the-plug")
    assert flow.step_by_key["look-at-the-plug"].outcome("green-and-wet").go == Go(GoKind.STEP, "look-at-the-fan")


def test_an_empty_draft_is_neither_wrong_nor_ready(desk: Client) -> None:
    desk.post(reverse("procedures:desk-new"), {"title": "Lamp dark", "system": "cooling/fan", "symptom": ""})
    page = desk.get(reverse("procedures:desk", args=["lamp-dark", 1])).text
    assert "Add the first step." in page
    assert "Ready to" not in page
    assert 'class="desk-findings"' not in page


def wet(desk: Client, draft: Revision) -> dict[str, str]:
    """The step has an outcome that wants a cause; the fields that point at it."""
    card(desk, draft, "look-at-the-plug", **{"do": "add-outcome", "new-label": "Wet"})
    return {"step": "look-at-the-plug", "outcome": "wet"}


def test_a_cause_is_found_by_words_and_comes_with_what_is_known_of_it(desk: Client, draft: Revision) -> None:
    at = wet(desk, draft)
    address = reverse("procedures:desk-cause", args=["lamp-dark", 1])
    answer = card(desk, draft, "look-at-the-plug", do="new-cause:wet")
    assert answer["Location"] == f"{address}?step=look-at-the-plug&outcome=wet"
    page = desk.get(address, {**at, "q": "fan rel"}).content.decode()
    assert 'value="part:cooling/fan/relay"' in page
    known = {"usual": "common", "minutes": "5", "price": "9", "correction": "Fit a relay."}
    given = {"form": "new-cause", "pick": "part:cooling/fan/relay", "mode": "burnt contacts", **known}
    assert said(desk, draft, htmx=True, **at, **given)["Desk-Answer"] == "cards"
    flow = now(draft)
    outcome = flow.step_by_key["look-at-the-plug"].outcome("wet")
    assert (outcome.go, outcome.proof) == (Go(GoKind.CAUSE, "relay-burnt-contacts"), Proof.SEEN)
    cause = flow.causes[0]
    assert (cause.usual.value, cause.minutes, cause.price, cause.correction) == ("common", 5, 9, "Fit a relay.")
    page = desk.get(address, {**at, "q": "burnt relay"}).content.decode()
    assert 'value="cause:relay-burnt-contacts"' in page


def test_a_cause_with_a_field_that_is_refused_is_not_half_made(desk: Client, draft: Revision) -> None:
    given = {"form": "new-cause", "pick": "part:cooling/fan/relay", **wet(desk, draft)}
    for wrong, field in (({"mode": ""}, "nc-mode"), ({"mode": "burnt", "minutes": "soon"}, "nc-minutes")):
        before = now(draft)
        answer = said(desk, draft, htmx=True, **{**given, **wrong})
        assert answer["Desk-Refused"] == field
        assert now(draft) == before


def test_a_part_that_is_missing_is_added_to_the_catalog_in_place(
    desk: Client, draft: Revision, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = {"form": "new-cause", "pick": "new", "under": "cooling/fan", "mode": "corroded", **wet(desk, draft)}
    assert said(desk, draft, htmx=True, part=" ", **given)["Desk-Refused"] == "nc-part"
    for _again in range(2):
        said(desk, draft, htmx=True, part="Fan plug", **given)
    assert System.objects.filter(path="cooling/fan/fan-plug", name="Fan plug").count() == 1
    assert [cause.identity for cause in now(draft).causes] == ["cooling/fan/fan-plug#corroded"]
    monkeypatch.setitem(RIGHTS, Role.WRITER, RIGHTS[Role.WRITER] - {Right.CATALOG})
    assert said(desk, draft, htmx=True, part="Another", **given).status_code == 403
    assert not System.objects.filter(name="Another").exists()


def test_several_causes_come_from_the_catalog_at_once_and_what_they_lack_is_counted(
    desk: Client, draft: Revision
) -> None:
    rows = [cause_for("cooling/fan/relay", "burnt contacts"), cause_for("cooling/fan/motor", "seized")]
    page = desk.get(reverse("procedures:desk-cause", args=["lamp-dark", 1]), {"step": "look-at-the-plug"})
    picks = [f"catalog:{row.pk}" for row in rows]
    assert all(f'value="{pick}"' in page.content.decode() for pick in picks)
    answer = said(desk, draft, htmx=True, form="new-cause", step="look-at-the-plug", picks=picks)
    assert [cause.identity for cause in now(draft).causes] == [row.identity for row in rows]
    assert "2 without correction or minutes" in " ".join(answer.content.decode().split())


def test_a_refused_field_is_told_at_its_place_and_the_rest_of_the_card_is_saved(desk: Client, draft: Revision) -> None:
    answer = card(desk, draft, "look-at-the-plug", minutes="2,5", title="Another title")
    assert answer.status_code == 200  # the rest is saved
    page = answer.content.decode()
    assert 'href="#s-minutes" data-field="s-minutes"' in page
    assert "Write 2.5." in page
    assert 'value="2,5"' in page
    step = now(draft).step_by_key["look-at-the-plug"]
    assert (step.title, step.minutes) == ("Another title", None)


CIRCUIT = "supply: {volts: 12.6 V}\nparts:\n  fuse: {kind: fuse, from: battery+, to: feed}\n"


def test_a_circuit_is_written_at_the_desk_and_what_is_wrong_in_it_stays_on_the_page(
    desk: Client, draft: Revision
) -> None:
    said(desk, draft, form="circuit", circuit=CIRCUIT)
    circuit = now(draft).circuit
    assert circuit is not None
    assert write_group(circuit) == CIRCUIT
    for wrong, words in [("kind: fuse", "is not a kind of part"), ("parts:", "")]:
        typed = CIRCUIT.replace(wrong, "kind: fues" if words else "parts: [")
        answer = said(desk, draft, form="circuit", circuit=typed)
        page = html.unescape(answer.content.decode())
        assert words in page
        assert typed in page
        assert now(draft).circuit == circuit
    said(desk, draft, form="circuit", circuit=" ")
    assert now(draft).circuit is None


def test_where_a_step_measures_and_how_a_cause_fails_in_the_circuit(desk: Client, draft: Revision) -> None:
    said(desk, draft, form="circuit", circuit=CIRCUIT)
    measured = measuring(desk, draft)
    typed = {"probes": "battery+ to feed", "state": "", "leads": "feed to battery- by 6 ohm"}
    card(desk, draft, "look-at-the-plug", **measured, **typed)
    step = now(draft).step_by_key["look-at-the-plug"]
    assert step.reading is not None
    assert [str(one) for one in (*step.reading.probes, *step.leads)] == [typed["probes"], typed["leads"]]
    given = {"form": "new-cause", "pick": "part:cooling/fan/relay", "mode": "burnt contacts"}
    said(desk, draft, htmx=True, step="look-at-the-plug", outcome="full", **given)
    (cause,) = now(draft).causes
    said(desk, draft, form="cause", cause=cause.key, **{"fault-parts": "fuse", "fault-is": "series 1 ohm .. open"})
    fault = now(draft).causes[0].fault
    assert fault is not None
    assert (fault.parts, str(fault.how)) == (("fuse",), "series 1 ohm .. open")
    answer = said(desk, draft, form="cause", cause=cause.key, **{"fault-parts": "fuse", "fault-is": "melted"})
    assert "is no way to fail" in html.unescape(answer.content.decode())
    said(desk, draft, form="cause", cause=cause.key, **{"fault-parts": "", "fault-is": ""})
    assert now(draft).causes[0].fault is None


def measuring(desk: Client, draft: Revision) -> dict[str, str]:
    """The step measures a voltage and has two outcomes; the fields of its card that say so."""
    measured = {"test": "measure", "quantity": "voltage", "unit": "V"}
    card(desk, draft, "look-at-the-plug", **measured, **{"do": "add-outcome", "new-label": "Full"})
    card(desk, draft, "look-at-the-plug", **measured, **{"do": "add-outcome", "new-label": "Low"})
    return measured


def test_bands_are_two_boxes_and_take_what_people_say(desk: Client, draft: Revision) -> None:
    measured = measuring(desk, draft)
    typed = {"o-full-low": "11 V or more", "o-full-high": "", "o-low-low": "", "o-low-high": "11"}
    answer = said(
        desk, draft, htmx=True, form="step", step="look-at-the-plug", title="Look", left="yes", **measured, **typed
    )
    step = now(draft).steps[0]
    assert [one.band.text() for one in step.outcomes if one.band] == [">= 11 V", "< 11 V"]
    assert answer["Desk-Answer"] == "cards"
    assert 'name="o-full-low" value="11"' in answer.content.decode()


def test_a_band_that_is_none_stops_neither_its_neighbours_nor_a_button(desk: Client, draft: Revision) -> None:
    measured = measuring(desk, draft)
    typed = {"o-full-low": "about 11", "o-full-label": "Full supply", "o-low-high": "11", "do": "add-outcome"}
    answer = said(desk, draft, htmx=True, form="step", step="look-at-the-plug", title="Look", **measured, **typed)
    assert answer["Desk-Refused"] == "o-full-low"
    assert "is not a range of readings" in answer.content.decode()
    outcomes = now(draft).steps[0].outcomes
    assert [(one.label, one.band and one.band.text()) for one in outcomes] == [
        ("Full supply", None),
        ("Low", "< 11 V"),
        ("New outcome", None),
    ]


def test_a_unit_follows_its_quantity(desk: Client, draft: Revision) -> None:
    card(desk, draft, "look-at-the-plug", test="measure", quantity="voltage", unit="")
    card(desk, draft, "look-at-the-plug", test="measure", quantity="resistance", unit="V")
    reading = now(draft).steps[0].reading
    assert reading
    assert (reading.quantity, reading.unit) == ("resistance", "ohm")


def test_a_new_step_begins_where_the_one_before_was(desk: Client, draft: Revision) -> None:
    card(desk, draft, "look-at-the-plug", at="cooling/fan", **{"do": "add-outcome", "new-label": "Wet"})
    card(desk, draft, "look-at-the-plug", at="cooling/fan", do="new-step:wet")
    assert now(draft).step_by_key["new-step"].at == "cooling/fan"
    page = desk.get(reverse("procedures:desk", args=["lamp-dark", 1]) + "?step=new-step").content.decode()
    assert 'value="step:look-at-the-plug"' not in page  # it would close a loop


def test_two_at_the_same_step_are_merged_field_by_field(desk: Client, draft: Revision) -> None:
    card(desk, draft, "look-at-the-plug", minutes="2", instruction="Before.", cautions=["stored-force"])
    measuring(desk, draft)
    based_on, mine = checksum(now(draft)), fields_of(now(draft))
    said(desk, draft, htmx=True, **{**mine, "instruction": "Theirs.", "o-full-low": "11", "cautions": []})
    answer = said(desk, draft, htmx=True, **{**mine, "minutes": "3", "o-low-high": "10"}, based_on=based_on)
    assert answer["Desk-Answer"] == "cards"
    assert "Theirs." in answer.content.decode()
    step = now(draft).steps[0]
    assert (step.instruction, step.minutes, step.cautions) == ("Theirs.", 3, ())
    assert [one.band.text() for one in step.outcomes if one.band] == [">= 11 V", "< 10 V"]


def test_of_a_field_that_both_changed_both_texts_are_shown_and_the_rest_is_merged(
    desk: Client, draft: Revision
) -> None:
    card(desk, draft, "look-at-the-plug", minutes="2", instruction="Before.")
    based_on, mine = checksum(now(draft)), fields_of(now(draft))
    said(desk, draft, htmx=True, **{**mine, "instruction": "Theirs.", "minutes": "9"})
    answer = said(desk, draft, htmx=True, **{**mine, "instruction": "Mine.", "title": "My title"}, based_on=based_on)
    assert answer["Desk-Answer"] == "both"
    text = answer.content.decode()
    assert text.count('<th scope="row">') == 1
    assert '<th scope="row">instruction</th>' in text
    assert '<input type="hidden" name="minutes" value="9">' in text  # saving my text keeps what only they changed
    assert now(draft).steps[0].instruction == "Theirs."


def fields_of(flow: Flow) -> dict[str, Any]:
    """The card of the first step as a browser holds it."""
    step = flow.steps[0]
    held = {name: text for name, text in typed_step(step, None).items() if text}
    for outcome in step.outcomes:
        row = outcome_row(flow, step, outcome.key, None)
        held |= {f"o-{row.key}-{name}": getattr(row, name) for name in ("label", "low", "high", "note", "go")}
    return {"form": "step", "step": step.key, **held}


def test_two_at_the_same_step_lose_no_text(desk: Client, draft: Revision, second: User) -> None:
    based_on = draft.checksum = checksum(now(draft))
    card(desk, draft, "look-at-the-plug", instruction="Theirs.")
    other = Client()
    other.force_login(second)
    answer = card(other, draft, "look-at-the-plug", instruction="Mine.", based_on=based_on)
    assert answer.status_code == 409
    text = answer.content.decode()
    assert "Mine." in text
    assert "Theirs." in text
    assert now(draft).step_by_key["look-at-the-plug"].instruction == "Theirs."


def test_two_at_different_steps_both_save(desk: Client, draft: Revision) -> None:
    said(desk, draft, form="add-step")
    based_on = checksum(now(draft))
    card(desk, draft, "look-at-the-plug", instruction="Theirs.")
    card(desk, draft, "new-step", title="Listen", based_on=based_on)
    flow = now(draft)
    assert flow.step_by_key["look-at-the-plug"].instruction == "Theirs."
    assert "listen" in flow.step_by_key


def test_undo_goes_back_more_than_fifty_times(desk: Client, draft: Revision) -> None:
    texts = [write_flow(now(draft))]
    for number in range(60):
        card(desk, draft, "look-at-the-plug", instruction=f"Text {number}.")
        texts.append(write_flow(now(draft)))
    for text in reversed(texts[:-1]):
        desk.post(reverse("procedures:desk-undo", args=["lamp-dark", 1]), {"based_on": checksum(now(draft))})
        assert write_flow(now(draft)) == text


def test_what_was_undone_can_be_done_again_until_something_else_is_saved(desk: Client, draft: Revision) -> None:
    def press(name: str) -> None:
        desk.post(reverse(f"procedures:desk-{name}", args=["lamp-dark", 1]), {"based_on": checksum(now(draft))})

    texts = [write_flow(now(draft))]
    for number in range(3):
        card(desk, draft, "look-at-the-plug", instruction=f"Text {number}.")
        texts.append(write_flow(now(draft)))
    for _ in range(2):
        press("undo")
    assert write_flow(now(draft)) == texts[1]
    for text in texts[2:]:
        press("redo")
        assert write_flow(now(draft)) == text
    press("redo")  # nothing more
    assert write_flow(now(draft)) == texts[3]
    press("undo")
    card(desk, draft, "look-at-the-plug", instruction="Another.")
    press("redo")
    assert now(draft).steps[0].instruction == "Another."


def test_a_step_says_what_hangs_on_it_before_it_is_removed() -> None:
    flow = read_flow(HORN_TEXT).flow
    assert flow is not None
    assert hanging_on(flow, flow.step_by_key["ground"]) == [
        "“Voltage at the connector: Full supply” leads nowhere then.",
        "“Feed the horn from the battery” is out of reach then.",
        "“earth: high resistance” is a cause no step proves then.",
    ]
    assert hanging_on(flow, flow.steps[0])[0] == "The procedure begins with another step then."


def test_a_step_or_a_branch_is_copied_from_a_procedure_in_force(
    desk: Client, shelf: dict[str, Procedure], draft: Revision
) -> None:
    at = wet(desk, draft)
    address = reverse("procedures:desk-copy", args=["lamp-dark", 1])
    assert f'<option value="{FAN}">' in desk.get(address, at).content.decode()
    page = " ".join(desk.get(address, {**at, "from": FAN}).content.decode().split())
    assert "“Wet”" in page
    assert 'value="supply"' in page
    given = {"form": "copy", "from": FAN, "pick": "supply", **at}
    assert said(desk, draft, htmx=True, **given)["Desk-Answer"] == "cards"
    flow = now(draft)
    assert flow.step_by_key["look-at-the-plug"].outcome("wet").go == Go(GoKind.STEP, "supply")
    assert len(flow.steps) == 2
    said(desk, draft, htmx=True, form="copy", behind="yes", pick="supply", **{"from": FAN})
    assert len(now(draft).steps) > 4
    refused = said(desk, draft, htmx=True, **{**given, "from": "gone"})
    assert refused["Desk-Answer"] == "refused"


def test_a_caution_that_a_check_demands_is_one_action_away(desk: Client, draft: Revision) -> None:
    card(desk, draft, "look-at-the-plug", at="cooling/fan/motor")
    page = desk.get(reverse("procedures:desk", args=["lamp-dark", 1]) + "?step=look-at-the-plug").content.decode()
    offered = [line.split('"')[0] for line in page.split('value="caution:')[1:]]
    assert offered
    for key in offered:
        card(
            desk,
            draft,
            "look-at-the-plug",
            at="cooling/fan/motor",
            do=f"caution:{key}",
            cautions=list(now(draft).step_by_key["look-at-the-plug"].cautions),
        )
    assert set(offered) <= set(now(draft).step_by_key["look-at-the-plug"].cautions)
    page = desk.get(reverse("procedures:desk", args=["lamp-dark", 1]) + "?step=look-at-the-plug").content.decode()
    assert "caution:" not in page


def test_autosave_answers_with_parts_and_a_new_row_with_the_cards(desk: Client, draft: Revision) -> None:
    fields = {"form": "step", "step": "look-at-the-plug", "title": "Look at the plug", "test": "look"}
    answer = said(desk, draft, htmx=True, **fields, instruction="Pull it.")
    quiet = answer.content.decode()
    assert answer["Desk-Answer"] == "saved"
    drawn = desk.get(reverse("procedures:desk-chart", args=["lamp-dark", 1]) + "?step=look-at-the-plug")
    assert "you are here" in drawn.content.decode()
    assert 'id="desk-steps"' not in quiet
    loud = said(desk, draft, htmx=True, **fields, do="add-outcome")
    assert loud["Desk-Answer"] == "cards"
    assert 'id="desk-steps"' in loud.content.decode()


def test_the_answer_says_which_keys_followed_their_first_words(desk: Client, draft: Revision) -> None:
    said(desk, draft, form="add-step")
    card(desk, draft, "new-step", do="add-outcome")
    fields = {"form": "step", "step": "new-step", "title": "Listen", "test": "listen", "o-new-outcome-label": "Silent"}
    answer = said(desk, draft, htmx=True, **fields, do="outcome-up:new-outcome")
    assert answer["Desk-Renamed"] == "outcome:new-outcome=silent step:new-step=listen"
    assert now(draft).step_by_key["listen"].outcome("silent").label == "Silent"


def test_what_is_sent_again_because_its_answer_was_lost_is_saved_once(desk: Client, draft: Revision) -> None:
    based_on = checksum(now(draft))
    fields = {"form": "step", "step": "look-at-the-plug", "title": "Look", "test": "look", "do": "add-outcome"}
    first, second = (said(desk, draft, htmx=True, based_on=based_on, **fields) for _ in range(2))
    assert (first["Desk-Answer"], second["Desk-Answer"]) == ("cards", "cards")
    assert len(now(draft).steps[0].outcomes) == 1
    assert draft.earlier_states.count() == 3


def test_a_cause_and_the_head_are_saved_beside_what_somebody_else_changes(desk: Client, draft: Revision) -> None:
    card(desk, draft, "look-at-the-plug", **{"do": "add-outcome", "new-label": "Wet"})
    given = {"form": "new-cause", "step": "look-at-the-plug", "outcome": "wet", "pick": "part:cooling/fan/relay"}
    said(desk, draft, mode="burnt contacts", **given)
    based_on = checksum(now(draft))
    card(desk, draft, "look-at-the-plug", instruction="Theirs.")
    cause = {"form": "cause", "cause": "relay-burnt-contacts", "usual": "rare", "correction": "Fit a relay."}
    assert said(desk, draft, htmx=True, based_on=based_on, **cause)["Desk-Answer"] == "saved"
    head = {"form": "head", "title": "Lamp stays dark", "verify": "Switch it on.", "system": "cooling/fan"}
    head["start"] = "look-at-the-plug"
    assert said(desk, draft, htmx=True, based_on=based_on, **head)["Desk-Answer"] == "saved"
    flow = now(draft)
    assert (flow.title, flow.causes[0].correction) == ("Lamp stays dark", "Fit a relay.")
    assert flow.steps[0].instruction == "Theirs."
    answer = said(desk, draft, htmx=True, based_on=based_on, **{**cause, "correction": "Clean the contacts."})
    assert answer["Desk-Answer"] == "both"
    assert "Fit a relay." in answer.content.decode()
    assert "Clean the contacts." in answer.content.decode()


def test_a_technician_may_not_write(client: Client, desk: Client, draft: Revision, junior: User) -> None:
    before = now(draft)
    client.force_login(junior)
    for name in ("procedures:desk", "procedures:desk-act", "procedures:desk-undo", "procedures:remark"):
        address = reverse(name, args=["lamp-dark", 1])
        answer = client.get(address) if name == "procedures:desk" else client.post(address, {"form": "add-step"})
        assert answer.status_code == 403
    assert now(draft) == before


def test_remarks_are_kept_and_settled(desk: Client, draft: Revision, senior: User) -> None:
    address = reverse("procedures:remark", args=["lamp-dark", 1])
    desk.post(address, {"step": "look-at-the-plug", "text": "Say which plug."})
    one = draft.remarks.get()
    assert (one.text, one.by, one.settled) == ("Say which plug.", senior, False)
    desk.post(address, {"step": "look-at-the-plug", "settle": str(one.pk)})
    one.refresh_from_db()
    assert one.settled
    with pytest.raises(ActionRefused) as refused:
        publishing.remark(draft, "gone", "x", by=senior, at=NOW)
    assert str(refused.value) == "This step is no longer in the revision."


def test_a_remark_is_about_a_field_or_the_step_as_a_whole(desk: Client, draft: Revision, senior: User) -> None:
    wet(desk, draft)
    address = reverse("procedures:remark", args=["lamp-dark", 1])
    desk.post(address, {"step": "look-at-the-plug", "text": "Which plug?", "field": "instruction"})
    desk.post(address, {"step": "look-at-the-plug", "text": "How wet?", "field": "outcomes.wet"})
    page = " ".join(desk.get(reverse("procedures:desk", args=["lamp-dark", 1]) + "?step=look-at-the-plug").text.split())
    assert '<li data-about="s-instruction">Senior: Which plug?</li>' in page
    assert '<li data-about="o-wet-label">Senior: How wet?</li>' in page
    assert "<b>What to do:</b>" in page
    desk.post(address, {"step": "look-at-the-plug", "text": "x", "field": "outcomes.gone"})
    assert [one.field for one in draft.remarks.all()] == ["instruction", "outcomes.wet"]


def test_what_changed_since_the_last_review_is_marked(desk: Client, draft: Revision, second: User) -> None:
    assert since_review(draft, now(draft)) is None
    card(desk, draft, "look-at-the-plug", **{"do": "add-outcome", "new-label": "Wet"})
    Revision.objects.update(state=Revision.State.IN_REVIEW)
    publishing.send_back(draft, by=second, at=NOW, why="Say more.")
    since = since_review(draft, now(draft))
    assert since is not None
    assert (since.steps, since.whole, since.removed) == ({}, [], [])
    card(desk, draft, "look-at-the-plug", instruction="Look closely.", **{"o-wet-label": "Green and wet"})
    said(desk, draft, form="add-step")
    since = since_review(draft, now(draft))
    assert since is not None
    assert since.review is not None
    assert since.review.by == second
    assert list(since.steps) == ["look-at-the-plug", "new-step"]
    assert any("Green and wet" in words for words in since.steps["look-at-the-plug"])
    page = " ".join(desk.get(reverse("procedures:remarks", args=["lamp-dark", 1])).text.split())
    assert "2 of 2 steps changed since it was sent back by Second" in page
    page = " ".join(desk.get(reverse("procedures:desk", args=["lamp-dark", 1])).text.split())
    assert page.count("changed since the last review") == 2


def test_before_any_review_a_draft_is_held_against_the_revision_in_force(
    shelf: dict[str, Procedure], senior: User
) -> None:
    revision = publishing.draft_from(shelf[FAN].revisions.get(), by=senior, at=NOW)
    flow = flow_of(revision)
    gone = editing.delete_step(flow, flow.steps[-1].key)
    since = since_review(revision, gone)
    assert since is not None
    assert since.in_force == shelf[FAN].revisions.get(number=1)
    assert since.removed == [flow.steps[-1].title]


def test_the_desk_and_its_saving_ask_no_query_too_many(
    client: Client, shelf: dict[str, Procedure], senior: User, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    client.force_login(senior)
    revision = publishing.draft_from(shelf[FAN].revisions.get(), by=senior, at=NOW)
    address = reverse("procedures:desk", args=[FAN, 2])
    step = flow_of(revision).steps[3].key
    client.get(address)
    with django_assert_num_queries(DESK_QUERIES):
        client.get(f"{address}?step={step}")
    with django_assert_num_queries(SAVE_QUERIES):
        said(client, revision, htmx=True, form="step", step=step, title="Another title", test="look")


DESK_QUERIES, SAVE_QUERIES = 21, 35
"""The desk reads the titles of the procedures that this one hands over to, and the names and words of its chart."""


def test_two_revisions_are_held_against_each_other(client: Client, shelf: dict[str, Procedure], senior: User) -> None:
    client.force_login(senior)
    revision = publishing.draft_from(shelf[FAN].revisions.get(), by=senior, at=NOW)
    flow = flow_of(revision)
    first, last = flow.steps[0], flow.steps[-1]
    card(client, revision, first.key, title="A plainer title")
    revision.refresh_from_db()
    turned = editing.set_destination(flow_of(revision), first.key, first.outcomes[0].key, Go(GoKind.STEP, last.key))
    publishing.save_draft(revision, turned, by=senior, based_on=revision.checksum)
    address = reverse("procedures:compared", args=[FAN, 2, 1])
    page = client.get(address).content.decode()
    assert "reworded" in page
    assert "A plainer title" in page
    assert f"leads to “{last.title}”" in html.unescape(page)
    assert f"the step {last.key}" not in page
    for number in (1, 2):  # whichever of the two is open: the newer held against the older
        assert address in client.get(reverse("procedures:revision", args=[FAN, number])).content.decode()


@settings(max_examples=examples(15), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sequence=st.lists(actions(), max_size=8))
def test_any_sequence_of_actions_can_be_stored_and_read_back_equal(
    catalog: None, senior: User, sequence: list[Any]
) -> None:
    held = read_flow(HORN_TEXT.replace("system: body/horn", "system: cooling")).flow
    assert held is not None
    waiting = Revision.objects.filter(procedure__key=held.procedure).first()
    revision = waiting or publishing.start_draft(held, by=senior, at=NOW)
    for act in sequence:
        flow = flow_of(revision)
        try:
            changed = act(flow)
        except (EditRefused, KeyNotFound):
            continue
        revision = publishing.save_draft(revision, changed, by=senior, based_on=revision.checksum)
        assert flow_of(revision) == changed
        assert read_flow(write_flow(flow_of(revision))).flow == changed
