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
from shopkb.core.flow import editing
from shopkb.core.flow.editing import EditRefused, KeyNotFound
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.model import Flow, Go, GoKind, Proof
from shopkb.procedures import publishing
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
    revision = Revision.objects.get()
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
    card(desk, draft, "look-at-the-plug", **{"o-green-and-wet-go": "new-step"})
    card(desk, draft, "new-step", title="Look at the fan")
    flow = now(draft)
    assert (flow.procedure, flow.start) == ("lamp-dark", "look-at-the-plug")
    assert flow.step_by_key["look-at-the-plug"].outcome("green-and-wet").go == Go(GoKind.STEP, "look-at-the-fan")


def test_a_cause_is_found_by_going_down_the_tree(desk: Client, draft: Revision) -> None:
    card(desk, draft, "look-at-the-plug", **{"do": "add-outcome", "new-label": "Wet"})
    answer = card(desk, draft, "look-at-the-plug", **{"o-wet-go": "new-cause"})
    address = reverse("procedures:desk-cause", args=["lamp-dark", 1])
    assert answer["Location"] == f"{address}?step=look-at-the-plug&outcome=wet"
    page = desk.get(address, {"step": "look-at-the-plug", "outcome": "wet", "under": "cooling/fan"})
    assert b"under=cooling/fan/relay" in page.content
    given = {"form": "new-cause", "step": "look-at-the-plug", "outcome": "wet", "component": "cooling/fan/relay"}
    said(desk, draft, mode="burnt contacts", **given)
    outcome = now(draft).step_by_key["look-at-the-plug"].outcome("wet")
    assert (outcome.go, outcome.proof) == (Go(GoKind.CAUSE, "relay-burnt-contacts"), Proof.SEEN)


def test_a_refused_field_keeps_what_was_typed_and_stores_nothing(desk: Client, draft: Revision) -> None:
    before = now(draft)
    answer = card(desk, draft, "look-at-the-plug", minutes="2,5", title="Another title")
    assert answer.status_code == 422
    assert "Write 2.5." in answer.content.decode()
    assert 'value="Another title"' in answer.content.decode()
    assert now(draft) == before


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
    given = {"form": "new-cause", "step": "look-at-the-plug", "outcome": "wet", "component": "cooling/fan/relay"}
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


DESK_QUERIES, SAVE_QUERIES = 20, 33
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
