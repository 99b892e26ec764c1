"""Words that safety rests on change under two people, and it is kept which were in force and which were shown."""

from __future__ import annotations

import uuid
from pathlib import Path

import pytest
from django.core.cache import cache
from django.core.exceptions import PermissionDenied
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import DatabaseError, transaction
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role
from shopkb.catalog import trees, wordings
from shopkb.catalog.facts import remembered_facts
from shopkb.catalog.models import Access, Caution, Meter, Proposal, System, Wording
from shopkb.catalog.wordings import ChangeRefused
from shopkb.jobs.actions.receiving import receive
from shopkb.jobs.log import append_only
from shopkb.jobs.models import DangerPassed, Event, Job, Run
from shopkb.procedures import publishing, safety_words
from shopkb.procedures.models import Procedure
from shopkb.upkeep.invariants import broken_invariants
from tests import builders
from tests.builders import TO_HORN, follow, signed_in
from tests.conftest import NOW, person

pytestmark = pytest.mark.django_db

KEY = "isolate-before-power"
HARMLESS = {"signal": "NOTICE", "title": "Nothing special", "text": "Nothing special.", "hazards": [], "ask": ""}
STRICTER = {
    "signal": "DANGER",
    "title": "Live feed",
    "text": "Unplug it.",
    "hazards": ["back-feed"],
    "ask": "Unplugged",
}


@pytest.fixture
def caution(horn: Procedure) -> Caution:
    return Caution.objects.get(key=KEY)


@pytest.fixture
def third(db: None) -> User:
    return person("third", Role.MANAGER)


def propose(caution: Caution, by: User, facts: dict[str, object] | None = None) -> Proposal:
    done = wordings.change(caution, facts or STRICTER, by=by, why="It bit somebody.", at=NOW)
    assert isinstance(done, Proposal)
    return done


def facts(key: str = KEY) -> dict[str, object]:
    return wordings.facts_of(Caution.objects.get(key=key))


def in_admin(by: User, model: str, row: object, **fields: object) -> HttpResponse:
    address = reverse(f"admin:catalog_{model}_change", args=[row.pk])  # type: ignore[attr-defined]
    return signed_in(by).post(address, fields, follow=True)  # type: ignore[return-value]


# No way around a second person ---------------------------------------------------------------------------------


def test_a_change_in_the_admin_is_only_proposed(caution: Caution, senior: User) -> None:
    before = facts()
    page = in_admin(senior, "caution", caution, **HARMLESS, why="Shorter.")
    assert facts() == before
    proposal = Proposal.objects.get()
    assert (proposal.facts, proposal.by, proposal.why) == (HARMLESS, senior, "Shorter.")
    assert "a second person has to confirm" in page.content.decode()


def test_the_admin_asks_why_before_it_proposes(caution: Caution, senior: User) -> None:
    page = in_admin(senior, "caution", caution, **HARMLESS)
    assert "Say why it changes" in page.content.decode()
    assert not Proposal.objects.exists()


@pytest.mark.parametrize(
    ("model", "find", "fields", "kept"),
    [
        (Access, {"key": "cabin"}, {"name": "Anywhere", "minutes": "3", "hazards": ["airbag"]}, ("minutes", 3)),
        (Meter, {"key": "pocket"}, {"name": "Blue", "accuracies": "voltage; 60 V; 9; 9; 1 V"}, ("name", "Blue")),
        (System, {"path": "body/horn"}, {"name": "Hooter", "hazards": ["airbag"]}, ("name", "Hooter")),
    ],
    ids=["access", "meter", "system"],
)  # fmt: skip
def test_only_what_safety_rests_on_waits(
    horn: Procedure, senior: User, model: type, find: dict[str, str], fields: dict[str, str], kept: tuple[str, object]
) -> None:
    row = model.objects.get(**find)  # type: ignore[attr-defined]
    before = wordings.facts_of(row)
    parent = {"parent": row.parent_id} if isinstance(row, System) else {}
    in_admin(senior, model.__name__.lower(), row, **fields, **parent, why="Measured again.")
    row.refresh_from_db()
    assert wordings.facts_of(row) == before
    assert getattr(row, kept[0]) == kept[1]
    assert Proposal.objects.get().key == wordings.key_of(row)


def test_loading_a_folder_proposes_as_somebody_with_a_reason(caution: Caution, senior: User, tmp_path: Path) -> None:
    lines = [f"- key: {KEY}", *(f"  {name}: {value!r}" for name, value in HARMLESS.items())]
    (tmp_path / "cautions.yaml").write_text("\n".join(lines), encoding="utf-8")
    limits = "{quantity: voltage, top: 20 V, percent: 9, counts: 9, resolution: 10 mV}"
    (tmp_path / "meters.yaml").write_text(f"- {{key: pocket, name: Pocket, accuracies: [{limits}]}}", encoding="utf-8")
    before = facts()
    for given in ({}, {"by": senior.username}):
        with pytest.raises(CommandError):
            call_command("load_catalog", str(tmp_path), **given)
    with pytest.raises(CommandError, match="Nobody here is called"):
        call_command("load_catalog", str(tmp_path), by="nobody", why="x")
    junior = person("apprentice", Role.TECHNICIAN)
    with pytest.raises(CommandError, match="change the catalog"):
        call_command("load_catalog", str(tmp_path), by=junior.username, why="x")
    assert not Proposal.objects.exists()
    for _twice in range(2):
        call_command("load_catalog", str(tmp_path), by=senior.username, why="The maker says so.", verbosity=0)
        assert facts() == before
        assert {row.key for row in Proposal.objects.all()} == {KEY, "pocket"}


def test_an_empty_shop_is_loaded_without_a_second_person(yard: None) -> None:
    wordings.change(Caution.objects.get(key=KEY), HARMLESS, by=None)
    assert facts() == HARMLESS
    assert list(Wording.objects.filter(key=KEY).values_list("number", flat=True)) == [2, 1]


def test_what_is_used_cannot_be_removed(caution: Caution, senior: User) -> None:
    address = reverse("admin:catalog_caution_delete", args=[caution.pk])
    page = signed_in(senior).post(address, {"post": "yes"}, follow=True)
    assert "cannot be removed. It is used by Horn stays silent" in page.content.decode()
    assert Caution.objects.filter(pk=caution.pk).exists()
    with pytest.raises(trees.StillInUse):
        trees.remove(System.objects.get(path="body/horn/button"), by=senior)


def test_whoever_wrote_a_caution_alone_does_not_publish_what_uses_it(yard: None, senior: User, second: User) -> None:
    mine = Caution.objects.get(key="dead-circuit")
    wordings.change(mine, {"text": "Mind it."}, by=second, at=NOW)
    revision = publishing.start_draft(builders.flow_from(builders.CONTROL_TEXT), by=senior, at=NOW)
    with pytest.raises(publishing.ActionRefused, match="You alone wrote what this uses: caution dead-circuit"):
        publishing.publish(revision, by=second, at=NOW)
    publishing.publish(revision, by=person("third", Role.WRITER), at=NOW)


def test_a_new_meter_has_no_limits_until_they_are_confirmed(horn: Procedure, senior: User, second: User) -> None:
    address = reverse("admin:catalog_meter_add")
    limits = "voltage; 60 V; 0.1; 2; 10 mV"
    signed_in(senior).post(address, {"key": "new", "name": "New", "accuracies": limits, "why": ""}, follow=True)
    assert Meter.objects.get(key="new").accuracies == []
    safety_words.confirm(Proposal.objects.get(key="new"), by=second, at=NOW)
    assert Meter.objects.get(key="new").accuracies[0]["top"] == "60 V"


# Confirming and refusing -----------------------------------------------------------------------------------------


def test_a_second_person_puts_it_in_force_and_the_old_words_are_kept(
    caution: Caution, senior: User, second: User
) -> None:
    remembered_facts()
    before, proposal = facts(), propose(caution, senior)
    with pytest.raises(ChangeRefused, match="A second person must confirm it"):
        safety_words.confirm(proposal, by=senior, at=NOW)
    with pytest.raises(PermissionDenied):
        safety_words.confirm(proposal, by=person("apprentice", Role.TECHNICIAN), at=NOW)
    assert facts() == before
    with transaction.atomic():
        safety_words.confirm(proposal, by=second, at=NOW)
    assert facts() == STRICTER
    new, old = Wording.objects.filter(key=KEY)
    assert (new.number, new.written_by, new.confirmed_by, new.since) == (2, senior, second, NOW)
    assert old.facts == before
    with pytest.raises(DatabaseError, match="never changed or deleted"), transaction.atomic():
        Wording.objects.filter(pk=old.pk).update(facts=STRICTER)
    with pytest.raises(ChangeRefused, match="is confirmed already"):
        safety_words.confirm(proposal, by=second, at=NOW)
    assert [found.message for found in broken_invariants() if found.law == "words"] == []


@pytest.mark.django_db(transaction=True)
def test_what_advice_remembers_of_the_catalog_is_dropped(caution: Caution, senior: User, second: User) -> None:
    remembered_facts()
    safety_words.confirm(propose(caution, senior), by=second, at=NOW)
    assert cache.get("catalog-facts") is None
    assert remembered_facts().cautions[KEY].signal == "DANGER"


def test_words_that_leave_a_hazard_uncovered_are_not_confirmed(caution: Caution, senior: User, second: User) -> None:
    proposal = propose(caution, senior, HARMLESS)
    (effect,) = safety_words.effects_of(proposal)
    assert effect.revision.title == "Horn stays silent"
    assert [found.step for found in effect.errors] == ["direct"]
    with pytest.raises(ChangeRefused, match="errors in procedures in force: Horn stays silent"):
        safety_words.confirm(proposal, by=second, at=NOW)
    assert facts() != HARMLESS


def test_hazards_of_a_system_reach_all_below_before_they_are_in_force(
    horn: Procedure, senior: User, second: User
) -> None:
    done = trees.set_hazards(System.objects.get(path="body"), ["airbag"], by=senior, why="A bag behind the horn.")
    assert isinstance(done, Proposal)
    effects = safety_words.effects_of(done)
    assert {effect.revision.procedure.key for effect in effects if effect.errors} == {"horn-silent", "horn-control"}
    with pytest.raises(ChangeRefused):
        safety_words.confirm(done, by=second, at=NOW)


def test_refused_and_taken_back_leave_what_is_in_force(caution: Caution, senior: User, second: User) -> None:
    before, proposal = facts(), propose(caution, senior)
    with pytest.raises(ChangeRefused, match="is waiting for a second person"):
        wordings.change(caution, HARMLESS, by=second, why="Other words.")
    with pytest.raises(ChangeRefused, match="Say why it is refused"):
        safety_words.refuse(proposal, by=second, at=NOW, why=" ")
    safety_words.refuse(proposal, by=second, at=NOW, why="It does not bite.")
    again = propose(caution, senior)
    with pytest.raises(ChangeRefused, match="proposed this"):
        safety_words.take_back(again, by=second, at=NOW)
    safety_words.take_back(again, by=senior, at=NOW)
    assert facts() == before
    assert sorted(Proposal.objects.values_list("state", flat=True)) == ["refused", "taken-back"]


def test_one_person_alone_may_where_the_shop_chose_so(
    caution: Caution, senior: User, settings: pytest.FixtureRequest
) -> None:
    settings.REVIEW_BY_SECOND_PERSON = False  # type: ignore[attr-defined]
    safety_words.confirm(propose(caution, senior), by=senior, at=NOW)
    assert facts() == STRICTER


def test_the_pages_show_both_and_confirm(caution: Caution, senior: User, second: User) -> None:
    proposal = propose(caution, senior)
    own, other = signed_in(senior), signed_in(second)
    at = reverse("procedures:proposal", args=[proposal.pk])
    assert "Confirm: put it in force" not in own.get(at).content.decode()
    page = other.get(at).content.decode()
    for words in ("Mind: isolate-before-power.", "Unplug it.", "It bit somebody.", "Confirm: put it in force"):
        assert words in page
    assert "Safety words waiting for a second person" in other.get("/").content.decode()
    other.post(reverse("procedures:confirm-words", args=[proposal.pk]))
    assert facts() == STRICTER
    history = other.get(reverse("procedures:wordings", args=["caution", KEY])).content.decode()
    assert "Wording 2, in force" in history
    assert "confirmed by Second" in " ".join(history.split())
    assert other.get(reverse("procedures:wordings", args=["caution", "no-such"])).status_code == 404
    assert "Live feed" in other.get(reverse("procedures:safety-words")).content.decode()


# Which words were shown ------------------------------------------------------------------------------------------


@pytest.fixture
def at_danger(caution: Caution, senior: User, second: User, junior: User, horn: Procedure) -> Run:
    """A run before its last step, whose caution is a DANGER by two people."""
    safety_words.confirm(propose(caution, senior), by=second, at=NOW)
    run = builders.start(builders.take_in(junior), horn, junior)
    follow(run, TO_HORN[:3], junior)
    return run


def answer(client: Client, run: Run, shown: str = "") -> HttpResponse:
    sent = {"client_id": str(uuid.uuid4()), "outcome": "silent", "shown": shown}
    return client.post(reverse("jobs:answer", args=[run.pk, "direct"]), sent)  # type: ignore[return-value]


def confirm_danger(client: Client, run: Run, shown: str) -> None:
    sent = {"client_id": str(uuid.uuid4()), "caution": KEY, "shown": shown}
    client.post(reverse("jobs:danger", args=[run.pk, "direct"]), sent)


def test_a_danger_is_confirmed_again_when_its_words_changed(
    at_danger: Run, senior: User, second: User, junior: User
) -> None:
    client = signed_in(junior)
    page = client.get(reverse("jobs:step", args=[at_danger.pk, "direct"])).content.decode()
    assert f'name="shown" value="{KEY} 2"' in page
    confirm_danger(client, at_danger, f"{KEY} 2")
    harder = {**STRICTER, "ask": "Unplugged and capped"}
    safety_words.confirm(propose(Caution.objects.get(key=KEY), senior, harder), by=second, at=NOW)
    assert answer(client, at_danger, f"{KEY} 2").status_code == 200, "the new danger is asked instead"
    assert not at_danger.results.filter(step="direct").exists()
    confirm_danger(client, at_danger, f"{KEY} 3")
    assert answer(client, at_danger, f"{KEY} 3").status_code == 302
    passed = DangerPassed.objects.order_by("pk").values_list("wording", "statement")
    assert list(passed) == [(2, "Unplugged"), (3, "Unplugged and capped")]


def test_what_was_done_without_the_network_stands_under_the_words_of_then(
    at_danger: Run, senior: User, second: User, junior: User
) -> None:
    harder = {**STRICTER, "ask": "Unplugged and capped"}
    safety_words.confirm(propose(Caution.objects.get(key=KEY), senior, harder), by=second, at=NOW)
    kept = {"shown": f"{KEY} 2", "step": "direct", "at": NOW.isoformat()}
    danger = {**kept, "kind": "danger", "caution": KEY, "client_id": str(uuid.uuid4())}
    receive(at_danger, danger, by=junior, at=NOW)
    receive(at_danger, {**kept, "outcome": "silent", "client_id": str(uuid.uuid4())}, by=junior, at=NOW)
    assert DangerPassed.objects.values_list("wording", "statement").get() == (2, "Unplugged")
    noted = Event.objects.filter(run=at_danger, kind__in=["danger", "result"]).order_by("-number")[:2]
    assert [event.words for event in noted] == [f"{KEY} 2", f"{KEY} 2"]


@pytest.mark.parametrize("sent", ["", "nonsense", f"{KEY} 9", f"{KEY} 0", "other 1", f"{KEY} {'9' * 40}", "a " * 5000])
def test_a_note_that_cannot_be_is_not_believed(at_danger: Run, junior: User, sent: str) -> None:
    client = signed_in(junior)
    confirm_danger(client, at_danger, sent)
    assert DangerPassed.objects.get().wording == 2


def test_the_write_up_tells_the_words_as_they_were(at_danger: Run, senior: User, second: User, junior: User) -> None:
    client = signed_in(junior)
    confirm_danger(client, at_danger, f"{KEY} 2")
    answer(client, at_danger, f"{KEY} 2")
    softer = {**STRICTER, "title": "Renamed since"}
    safety_words.confirm(propose(Caution.objects.get(key=KEY), senior, softer), by=second, at=NOW)
    page = client.get(reverse("jobs:write-up", args=[at_danger.job_id])).content.decode()
    assert "Live feed (DANGER" in page
    assert "Renamed since" not in page
    assert "probe terminals (NOTICE" in page
    assert [found for found in broken_invariants() if found.law == "words"] == []


def test_answers_from_before_are_told_by_date(horn: Procedure, junior: User) -> None:
    job: Job = builders.cured_job(horn, junior)
    page = signed_in(junior).get(reverse("jobs:write-up", args=[job.pk])).content.decode()
    assert "by date" not in page
    with append_only.opened():
        Event.objects.update(words="")
    page = signed_in(junior).get(reverse("jobs:write-up", args=[job.pk])).content.decode()
    assert "isolate before power (WARNING" in page
    assert "by date" in page


def test_verify_names_words_changed_behind_the_doors(at_danger: Run, junior: User) -> None:
    client = signed_in(junior)
    confirm_danger(client, at_danger, f"{KEY} 2")
    Caution.objects.filter(key=KEY).update(**HARMLESS)
    Caution.objects.create(key="slipped-in", signal="NOTICE", title="X", text="X")
    with append_only.opened():
        DangerPassed.objects.update(wording=1)
    found = {found.place: found for found in broken_invariants() if found.law == "words"}
    assert found[f"caution {KEY}"].message == "It says something else than wording 2, the one in force."
    assert found["caution slipped-in"].mendable
    assert f"danger {DangerPassed.objects.get().pk}" in found
