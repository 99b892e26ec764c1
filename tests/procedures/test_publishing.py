"""The door for procedures: every change of state, what each refuses, and that what was published never changes."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.catalog import trees
from shopkb.catalog.models import Cause, Platform
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.model import Flow, Go, GoKind
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.publishing import ActionRefused, EditConflict, RefusedByChecks
from shopkb.procedures.storing import checksum, flow_of, store_flow
from tests import builders
from tests.builders import CONTROL_TEXT, HORN_TEXT, flow_from
from tests.conftest import NOW
from tests.markup import one_line

State = Revision.State


@pytest.fixture
def flow() -> Flow:
    """The horn procedure with its hand-over taken out, so that it stands alone."""
    return flow_from(HORN_TEXT.replace("go: hand-over horn-control", "go: out, note: Not here"))


@pytest.fixture
def draft(yard: None, flow: Flow, senior: User) -> Revision:
    return publishing.start_draft(flow, by=senior, at=NOW, why="First.")


def retitled(flow: Flow, title: str) -> Flow:
    return replace(flow, title=title)


def broken(flow: Flow) -> Flow:
    """The start leads nowhere on one branch: an error of the checks."""
    step = flow.steps[0]
    outcomes = (replace(step.outcomes[0], go=Go(GoKind.NOWHERE)), *step.outcomes[1:])
    return replace(flow, steps=(replace(step, outcomes=outcomes), *flow.steps[1:]))


def state(revision: Revision) -> str:
    revision.refresh_from_db()
    return revision.state


# Drafts


def test_a_new_procedure_begins_as_draft_number_one(draft: Revision, flow: Flow, senior: User) -> None:
    assert (draft.number, draft.state, draft.author, draft.created_at, draft.why) == (
        1,
        State.DRAFT,
        senior,
        NOW,
        "First.",
    )
    assert (draft.procedure.key, draft.procedure.owner) == ("horn-silent", senior)
    assert flow_of(draft) == flow
    assert draft.checksum == checksum(flow)
    assert draft.procedure.in_force is None


def test_a_draft_needs_a_system_of_the_catalog(yard: None, flow: Flow, senior: User) -> None:
    with pytest.raises(ActionRefused) as refused:
        publishing.start_draft(replace(flow, system="body/bell"), by=senior, at=NOW)
    assert str(refused.value) == "There is no system 'body/bell' in the catalog. Add it there, or choose another."
    assert not Procedure.objects.exists()


@pytest.mark.parametrize(("review", "words"), [(False, "draft"), (True, "in review")])
def test_one_draft_at_a_time(draft: Revision, flow: Flow, second: User, review: bool, words: str) -> None:
    if review:
        publishing.ask_for_review(draft, by=second)
    with pytest.raises(ActionRefused) as refused:
        publishing.start_draft(flow, by=second, at=NOW)
    assert str(refused.value) == (
        f"Revision 1 of this procedure is {words} by Senior. Go on with that one, or withdraw it first."
    )


def test_a_faulty_draft_may_be_kept_but_not_put_forward(
    draft: Revision, flow: Flow, senior: User, second: User
) -> None:
    publishing.save_draft(draft, broken(flow), by=senior, based_on=draft.checksum)
    for act in (
        lambda: publishing.ask_for_review(draft, by=senior),
        lambda: publishing.publish(draft, by=second, at=NOW),
    ):
        with pytest.raises(RefusedByChecks) as refused:
            act()
        assert str(refused.value) == "1 error must be put right before this can be published."
        assert [finding.where for finding in refused.value.findings] == ["steps.press.outcomes.sounds.go"]
    assert state(draft) == State.DRAFT


def test_several_errors_are_counted() -> None:
    assert str(RefusedByChecks(())) == "0 errors must be put right before this can be published."


def test_saving_replaces_the_draft_whole(draft: Revision, flow: Flow, senior: User) -> None:
    shorter = replace(retitled(flow, "Horn is dumb"), causes=flow.causes[:1], values=())
    saved = publishing.save_draft(draft, shorter, by=senior, based_on=draft.checksum)
    assert write_flow(flow_of(saved)) == write_flow(shorter)
    assert saved.checksum == checksum(shorter) != checksum(flow)


def test_saving_over_somebody_elses_saving_is_refused(draft: Revision, flow: Flow, senior: User, second: User) -> None:
    opened = draft.checksum
    publishing.save_draft(draft, retitled(flow, "Second's title"), by=second, based_on=opened)
    with pytest.raises(EditConflict) as refused:
        publishing.save_draft(draft, retitled(flow, "Senior's title"), by=senior, based_on=opened)
    assert str(refused.value) == (
        "This draft was saved by somebody else since you opened it. Both texts are kept below."
    )
    draft.refresh_from_db()
    assert draft.title == "Second's title"


def test_the_key_of_a_procedure_never_changes(draft: Revision, flow: Flow, senior: User) -> None:
    with pytest.raises(ActionRefused) as refused:
        publishing.save_draft(draft, replace(flow, procedure="horn-dumb"), by=senior, based_on=draft.checksum)
    assert str(refused.value) == "The key of a procedure never changes: write horn-silent, not horn-dumb."


UNREADABLE: dict[str, Callable[[Flow], Flow]] = {
    "no title": lambda flow: retitled(flow, ""),
    "title too long": lambda flow: retitled(flow, "a" * 121),
    "null sign": lambda flow: retitled(flow, "Horn\x00"),
    "half a sign": lambda flow: retitled(flow, "Horn \ud83d"),
    "the same step twice": lambda flow: replace(flow, steps=(*flow.steps, flow.steps[0])),
    "longer than a file may be": lambda flow: replace(
        flow, steps=tuple(replace(flow.steps[0], key=f"press-{n}", instruction="Press it. " * 900) for n in range(150))
    ),
}


@pytest.mark.parametrize("what", UNREADABLE)
def test_what_could_not_be_read_back_is_not_stored(draft: Revision, flow: Flow, senior: User, what: str) -> None:
    """Whoever calls: a page, a command or a computation that made the flow."""
    unreadable = UNREADABLE[what](flow)
    doors: list[Callable[[], object]] = [
        lambda: publishing.save_draft(draft, unreadable, by=senior, based_on=draft.checksum),
        lambda: publishing.start_draft(replace(unreadable, procedure="horn-dumb"), by=senior, at=NOW),
        lambda: publishing.import_flow(replace(unreadable, procedure="horn-dumb"), by=senior, at=NOW),
    ]
    for act in doors:
        with pytest.raises(ActionRefused) as refused:
            act()
        assert str(refused.value).startswith("This cannot be kept: ")
        assert str(refused.value).endswith(".")
    draft.refresh_from_db()
    assert flow_of(draft) == flow
    assert [row.key for row in Procedure.objects.all()] == ["horn-silent"]


# Review and publishing


def test_from_draft_through_review_into_force(draft: Revision, flow: Flow, senior: User, second: User) -> None:
    publishing.ask_for_review(draft, by=senior)
    assert state(draft) == State.IN_REVIEW
    publishing.send_back(draft, by=second, at=NOW, why="Say where the relay is.")
    assert state(draft) == State.DRAFT
    assert draft.why == "First.\n\nSent back by Second: Say where the relay is."
    publishing.ask_for_review(draft, by=senior)
    published = publishing.publish(draft, by=second, at=NOW)
    assert (published.state, published.reviewer, published.published_at) == (State.PUBLISHED, second, NOW)
    procedure = Procedure.objects.get()
    assert procedure.in_force == published
    assert (procedure.title, procedure.codes) == (flow.title, ["B0900"])
    assert [row.key for row in procedure.symptoms.all()] == ["horn-silent"]
    assert {cause.identity for cause in Cause.objects.select_related("component")} == {
        cause.identity for cause in flow.causes
    }


def test_a_new_revision_replaces_the_one_in_force(draft: Revision, flow: Flow, senior: User, second: User) -> None:
    publishing.publish(draft, by=second, at=NOW)
    newer = publishing.draft_from(draft, by=senior, at=NOW, why="Clearer.")
    assert (newer.number, flow_of(newer)) == (2, flow)
    publishing.save_draft(newer, retitled(flow, "Horn is dumb"), by=senior, based_on=newer.checksum)
    assert state(draft) == State.PUBLISHED
    publishing.publish(newer, by=second, at=NOW)
    assert (state(draft), state(newer)) == (State.REPLACED, State.PUBLISHED)
    assert draft.procedure.revisions.get(state=State.PUBLISHED) == newer
    assert Procedure.objects.get().title == "Horn is dumb"
    assert flow_of(draft) == flow


def test_what_it_offers_to_follows_the_revision_in_force(
    draft: Revision, flow: Flow, senior: User, second: User
) -> None:
    publishing.publish(draft, by=second, at=NOW)
    newer = publishing.draft_from(draft, by=senior, at=NOW)
    other = replace(flow, symptoms=("horn-hoarse",), codes=(), platforms=("godwit",), summary="Other.")
    publishing.save_draft(newer, other, by=senior, based_on=newer.checksum)
    assert [row.key for row in Procedure.objects.get().symptoms.all()] == ["horn-silent"]
    publishing.publish(newer, by=second, at=NOW)
    procedure = Procedure.objects.get()
    assert [row.key for row in procedure.symptoms.all()] == ["horn-hoarse"]
    assert [row.path for row in procedure.platforms.all()] == ["godwit"]
    assert (procedure.codes, procedure.summary) == ([], "Other.")


def test_a_second_person_reviews(draft: Revision, senior: User, settings: Any) -> None:
    settings.REVIEW_BY_SECOND_PERSON = True
    with pytest.raises(ActionRefused) as refused:
        publishing.publish(draft, by=senior, at=NOW)
    assert str(refused.value) == "A second person must review and publish what you wrote."
    settings.REVIEW_BY_SECOND_PERSON = False
    assert publishing.publish(draft, by=senior, at=NOW).reviewer == senior


def test_whoever_saved_any_part_does_not_publish_it(
    draft: Revision, flow: Flow, senior: User, second: User, keeper: User
) -> None:
    """The words of the second writer would have been read by nobody else; those who wrote none of it may."""
    held = publishing.save_draft(draft, retitled(flow, "By two"), by=second, based_on=draft.checksum)
    for writer, words in (
        (senior, "A second person must review and publish what you wrote."),
        (
            second,
            "You saved part of this revision. Somebody who has written none of it must review and publish it. Next "
            "time send it back with what you would change, and publish it yourself.",
        ),
    ):
        with pytest.raises(ActionRefused) as refused:
            publishing.publish(held, by=writer, at=NOW)
        assert str(refused.value) == words
    assert publishing.publish(held, by=keeper, at=NOW).reviewer == keeper


def test_saving_without_a_change_and_sending_back_are_no_writing(draft: Revision, flow: Flow, second: User) -> None:
    publishing.save_draft(draft, flow, by=second, based_on=draft.checksum)
    publishing.ask_for_review(draft, by=second)
    publishing.send_back(draft, by=second, at=NOW, why="The third step.")
    assert publishing.publish(draft, by=second, at=NOW).reviewer == second


def test_whoever_undoes_a_change_has_written(draft: Revision, flow: Flow, senior: User, second: User) -> None:
    saved = publishing.save_draft(draft, retitled(flow, "Longer"), by=senior, based_on=draft.checksum)
    undone = publishing.undo_draft(saved, by=second, based_on=saved.checksum)
    with pytest.raises(ActionRefused, match="You saved part of this revision"):
        publishing.publish(undone, by=second, at=NOW)


def test_not_even_the_keeper_publishes_their_own(yard: None, flow: Flow, keeper: User) -> None:
    own = publishing.start_draft(flow, by=keeper, at=NOW)
    with pytest.raises(ActionRefused) as refused:
        publishing.publish(own, by=keeper, at=NOW)
    assert str(refused.value) == "A second person must review and publish what you wrote."


# Withdrawing


@pytest.mark.parametrize("of", [State.DRAFT, State.IN_REVIEW, State.PUBLISHED, State.REPLACED])
def test_any_revision_can_be_withdrawn_with_a_reason(draft: Revision, second: User, of: Revision.State) -> None:
    Revision.objects.filter(pk=draft.pk).update(state=of)
    with pytest.raises(ActionRefused) as refused:
        publishing.withdraw(draft, by=second, at=NOW, why="  ")
    assert str(refused.value) == "Say why it is withdrawn: the people who followed it will read this."
    publishing.withdraw(draft, by=second, at=NOW, why=" Limit wrong. ", for_safety=True)
    draft.refresh_from_db()
    assert (draft.state, draft.withdrawn_why, draft.withdrawn_for_safety, draft.withdrawn_at) == (
        State.WITHDRAWN,
        "Limit wrong.",
        True,
        NOW,
    )
    assert draft.procedure.in_force is None


# States that do not fit

ACTS: dict[str, Callable[[Revision, User], object]] = {
    "ask": lambda revision, by: publishing.ask_for_review(revision, by=by),
    "back": lambda revision, by: publishing.send_back(revision, by=by, at=NOW, why="x"),
    "publish": lambda revision, by: publishing.publish(revision, by=by, at=NOW),
    "withdraw": lambda revision, by: publishing.withdraw(revision, by=by, at=NOW, why="x"),
}
NEEDS = {
    "ask": "draft",
    "back": "in review",
    "publish": "draft or in review",
    "withdraw": "draft or in review or published or replaced by a newer one",
}
FITS = {
    "ask": {State.DRAFT},
    "back": {State.IN_REVIEW},
    "publish": {State.DRAFT, State.IN_REVIEW},
    "withdraw": {State.DRAFT, State.IN_REVIEW, State.PUBLISHED, State.REPLACED},
}
UNFIT = [(act, held) for act, fits in FITS.items() for held in State if held not in fits]


@pytest.mark.parametrize(("act", "held"), UNFIT, ids=[f"{act}-{held}" for act, held in UNFIT])
def test_a_change_that_does_not_fit_the_state_is_refused(
    draft: Revision, second: User, act: str, held: Revision.State
) -> None:
    Revision.objects.filter(pk=draft.pk).update(state=held)
    with pytest.raises(ActionRefused) as refused:
        ACTS[act](draft, second)
    assert str(refused.value) == f"Revision 1 is {held.label}; this needs one that is {NEEDS[act]}."
    assert state(draft) == held


@pytest.mark.parametrize("held", [held for held in State if held != State.DRAFT])
def test_what_left_draft_never_changes(draft: Revision, flow: Flow, senior: User, held: Revision.State) -> None:
    """Law 1, at the door and below it."""
    Revision.objects.filter(pk=draft.pk).update(state=held)
    draft.refresh_from_db()
    with pytest.raises(ValueError, match=f"^Revision 1 is {held.label} and cannot change\\.$"):
        store_flow(draft, retitled(flow, "Other"))
    with pytest.raises(ActionRefused) as refused:
        publishing.save_draft(draft, retitled(flow, "Other"), by=senior, based_on=draft.checksum)
    assert str(refused.value) == f"Revision 1 is {held.label}; make a new draft from it instead."
    assert flow_of(draft) == flow


def test_a_stale_copy_of_a_published_revision_cannot_be_saved(
    draft: Revision, flow: Flow, senior: User, second: User
) -> None:
    """Somebody who opened the draft before it was published saves into nothing."""
    publishing.publish(Revision.objects.get(), by=second, at=NOW)
    assert draft.state == State.DRAFT
    with pytest.raises(ActionRefused) as refused:
        publishing.save_draft(draft, retitled(flow, "Late"), by=senior, based_on=draft.checksum)
    assert str(refused.value) == "Revision 1 is published; make a new draft from it instead."


def test_two_in_force_cannot_stand_in_the_database(draft: Revision, senior: User, second: User) -> None:
    publishing.publish(draft, by=second, at=NOW)
    other = publishing.draft_from(draft, by=senior, at=NOW)
    with pytest.raises(IntegrityError), transaction.atomic():
        Revision.objects.filter(pk=other.pk).update(state=State.PUBLISHED)


@pytest.mark.django_db(transaction=True)
def test_eight_new_drafts_at_once_are_one(yard: None, flow: Flow, senior: User) -> None:
    outcomes = builders.all_at_once(8, lambda _n: publishing.start_draft(flow, by=senior, at=NOW))
    refused = [outcome for outcome in outcomes if not isinstance(outcome, Revision)]
    assert [str(error) for error in refused] == [
        "Revision 1 of this procedure is draft by Senior. Go on with that one, or withdraw it first."
    ] * 7
    assert all(isinstance(error, ActionRefused) for error in refused)
    assert Revision.objects.count() == 1


# Rights (law 9): each door for each role

WRITES = "Your role does not let you write procedures. These roles may: writer, keeper."
PUBLISHES = (
    "Your role does not let you review, publish and withdraw procedures. These roles may: writer, manager, keeper."
)
DOORS: dict[str, tuple[str, Callable[[Revision, Flow, User], object]]] = {
    "start": (WRITES, lambda revision, flow, by: publishing.start_draft(flow, by=by, at=NOW)),
    "draft from": (WRITES, lambda revision, flow, by: publishing.draft_from(revision, by=by, at=NOW)),
    "save": (
        WRITES,
        lambda revision, flow, by: publishing.save_draft(revision, flow, by=by, based_on=revision.checksum),
    ),
    "import": (WRITES, lambda revision, flow, by: publishing.import_flow(retitled(flow, "New"), by=by, at=NOW)),
    "ask": (WRITES, lambda revision, flow, by: ACTS["ask"](revision, by)),
    "back": (PUBLISHES, lambda revision, flow, by: ACTS["back"](revision, by)),
    "publish": (PUBLISHES, lambda revision, flow, by: ACTS["publish"](revision, by)),
    "withdraw": (PUBLISHES, lambda revision, flow, by: ACTS["withdraw"](revision, by)),
}
MAY = {WRITES: {"writer", "keeper"}, PUBLISHES: {"writer", "manager", "keeper"}}


@pytest.mark.parametrize("role", ["technician", "writer", "manager", "keeper"])
@pytest.mark.parametrize("door", DOORS)
def test_each_door_asks_for_its_right(draft: Revision, flow: Flow, second: User, door: str, role: str) -> None:
    said, act = DOORS[door]
    second.role = role
    second.save()
    if role in MAY[said]:
        with suppress(ActionRefused):  # let through; what stands in the way is the state
            act(draft, flow, second)
        return
    with pytest.raises(PermissionDenied) as refused:
        act(draft, flow, second)
    assert str(refused.value) == said
    assert state(draft) == State.DRAFT
    assert Revision.objects.count() == 1


def test_hand_overs_need_the_other_procedure(yard: None, senior: User, second: User) -> None:
    horn = publishing.start_draft(flow_from(HORN_TEXT), by=senior, at=NOW)
    with pytest.raises(RefusedByChecks) as refused:
        publishing.publish(horn, by=second, at=NOW)
    assert [finding.id for finding in refused.value.findings] == ["procedure-unknown"]
    publishing.start_draft(flow_from(CONTROL_TEXT), by=senior, at=NOW)
    assert publishing.publish(horn, by=second, at=NOW).state == State.PUBLISHED


def test_a_platform_that_moved_is_shown_and_drafted_under_todays_name_and_the_published_text_stays(
    client: Client, yard: None, flow: Flow, senior: User, second: User
) -> None:
    flow = replace(flow, platforms=("curlew/dunlin",))
    published = publishing.start_draft(flow, by=senior, at=NOW)
    publishing.publish(published, by=second, at=NOW)
    published.refresh_from_db()
    before = published.checksum
    first = publishing.draft_from(published, by=senior, at=NOW)
    plover = trees.add(Platform, key="plover", name="Plover")
    trees.move(Platform.objects.get(path="curlew/dunlin"), plover)
    published.refresh_from_db()
    assert (flow_of(published).platforms, published.checksum) == (("curlew/dunlin",), before)
    first.refresh_from_db()
    assert flow_of(first).platforms == ("plover/dunlin",)
    assert first.checksum == checksum(flow_of(first))
    publishing.withdraw(first, by=second, at=NOW, why="Try again.")
    again = publishing.draft_from(published, by=senior, at=NOW)
    assert flow_of(again).platforms == ("plover/dunlin",)
    client.force_login(senior)
    page = one_line(client.get(reverse("procedures:procedure", args=[flow.procedure])).content.decode())
    assert "Written for Dunlin minibus." in page
    desk = client.get(reverse("procedures:desk", args=[flow.procedure, again.number])).content.decode()
    assert '<option value="plover/dunlin" selected>Plover, Dunlin minibus</option>' in desk
