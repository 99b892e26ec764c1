"""Repairs point by point: what was ticked, lines of parts, what was measured again, how it was verified."""

from __future__ import annotations

import uuid
from decimal import Decimal

import pytest
from django.db import DatabaseError, transaction
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.catalog.cause_registry import cause_for
from shopkb.catalog.models import Caution
from shopkb.core.readings.judgement import Judgement, Verdict
from shopkb.jobs.actions import closing, noting, repairing
from shopkb.jobs.actions.repairing import PartLine
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.forms.repair import PartForm
from shopkb.jobs.models import Job, MeasuredAgain, Repair, RepairPart, Result, Run, Verification
from shopkb.jobs.run_state import run_state_of
from shopkb.jobs.vehicle_state import off_on
from shopkb.upkeep.chains import broken_chains
from tests import builders
from tests.builders import TO_GROUND, follow, mend, signed_in, words_of
from tests.conftest import NOW

ORDER = "Remake the joint"
POINT = "Sound the horn ten times"


@pytest.fixture
def bad_ground(run: Run, junior: User) -> Result:
    """The end that proves the earth of the horn, by 0.9 V."""
    return follow(run, TO_GROUND, junior)[-1]


def page_of(result: Result) -> str:
    return f"{reverse('jobs:repair', args=[result.run.job_id])}?result={result.pk}"


def told(**more: object) -> dict[str, object]:
    cause = cause_for("body/horn/earth", "high resistance").pk
    return {"client_id": str(uuid.uuid4()), "cause": cause, "proof": "measured", **more}


# What was done


def test_nothing_is_told_as_done_that_nobody_ticked(bad_ground: Result, junior: User) -> None:
    client = signed_in(junior)
    page = client.get(page_of(bad_ground)).content.decode()
    assert ORDER in page
    assert "Remake the joint.</textarea>" not in page
    refused = client.post(page_of(bad_ground), told())
    assert refused.status_code == 422
    assert "Say what was done to put it right." in words_of(refused)
    client.post(page_of(bad_ground), told(done=[ORDER], correction="Greased it."))
    assert Repair.objects.get().correction == f"{ORDER}.\nGreased it."


def test_an_order_never_stands_as_work_on_a_closed_write_up(bad_ground: Result, junior: User) -> None:
    client = signed_in(junior)
    client.post(page_of(bad_ground), told(correction="Cleaned the eyelet."))
    repair = Repair.objects.get()
    repairing.verify_repair(
        repair, Verification.Cured.YES, how="Ten times.", by=junior, at=NOW, client_id=uuid.uuid4()
    )  # fmt: skip
    closing.close_job(repair.job, Job.Disposition.CURED, by=junior, at=NOW)
    for name in ("write-up", "technical", "job"):
        page = words_of(client.get(reverse(f"jobs:{name}", args=[repair.job_id])))
        assert "Cleaned the eyelet." in page
        assert ORDER not in page


# Another cause


def test_another_cause_is_found_by_words_and_nothing_typed_is_lost(bad_ground: Result, junior: User) -> None:
    cause_for("body/horn/relay", "contacts welded")
    client = signed_in(junior)
    assert "contacts welded" not in client.get(page_of(bad_ground)).content.decode()
    sent = told(find="welded relay", look="yes", correction="Half a sen", minutes="7") | {"part-0-words": "Eyelet"}
    found = client.post(page_of(bad_ground), sent | {"part-TOTAL_FORMS": "1"})
    page = found.content.decode()
    assert found.status_code == 200
    for kept in ("Horn relay: contacts welded", "Half a sen", 'value="7"', "Eyelet", "Horn earth: high resistance"):
        assert kept in page
    assert not Repair.objects.exists()
    none = client.post(page_of(bad_ground), told(find="gearbox", look="yes"))
    assert "No further cause is called that." in words_of(none)


# Parts


def test_parts_are_lines_and_more_can_be_asked_for(bad_ground: Result, junior: User) -> None:
    client = signed_in(junior)
    lines = {"part-TOTAL_FORMS": "1", "part-0-words": "Eyelet 6 mm", "part-0-quantity": "2", "part-0-price": "0.40"}
    more = client.post(page_of(bad_ground), told(more="yes", **lines))
    assert more.status_code == 200
    assert more.content.decode().count('name="part-') == 2 + 4 * 4
    lines |= {"part-TOTAL_FORMS": "4", "part-2-words": "Earth strap", "part-2-number": "WS-77", "part-2-price": "11.5"}
    client.post(page_of(bad_ground), told(correction="Renewed it.", **lines))
    assert [(row.words, row.number, row.quantity, row.price) for row in RepairPart.objects.all()] == [
        ("Eyelet 6 mm", "", Decimal(2), Decimal("0.40")),
        ("Earth strap", "WS-77", Decimal(1), Decimal("11.50")),
    ]
    repair = Repair.objects.get()
    assert repair.parts == "2 x Eyelet 6 mm; 1 x Earth strap (WS-77)"
    page = words_of(client.get(reverse("jobs:write-up", args=[repair.job_id])))
    for printed in ("Eyelet 6 mm", "WS-77", "£0.40", "£11.50", "Parts together £12.30"):
        assert printed in page
    assert list(broken_chains()) == []


@pytest.mark.parametrize(
    ("line", "why"),
    [({"part-0-price": "3"}, "Say which part this is."), ({"part-0-words": "Strap", "part-0-quantity": "0"}, "0.01"),
     ({"part-0-words": "Strap", "part-0-price": "dear"}, "Enter a number.")],
    ids=["no-words", "none-of-it", "no-number"],
)  # fmt: skip
def test_a_line_that_cannot_be_keeps_what_was_typed(
    bad_ground: Result, junior: User, line: dict[str, str], why: str
) -> None:
    sent = told(correction="Renewed it.", **{"part-TOTAL_FORMS": "1"}, **line)
    refused = signed_in(junior).post(page_of(bad_ground), sent)
    assert (refused.status_code, Repair.objects.count()) == (422, 0)
    assert why in words_of(refused)
    assert all(f'value="{typed}"' in refused.content.decode() for typed in line.values())


@pytest.mark.parametrize("typed", ["14.50", "£14.50", "£ 14,50", "14,50", "14.50 £", "14.5"])
def test_a_price_is_taken_as_people_write_it(typed: str) -> None:
    form = PartForm({"words": "Strap", "price": typed})
    assert form.is_valid(), form.errors
    assert form.cleaned_data["price"] == Decimal("14.50")


@pytest.mark.parametrize("typed", ["dear", "$14.50", "14,5,50"])
def test_a_price_that_is_no_number_is_none(typed: str) -> None:
    assert "price" in PartForm({"words": "Strap", "price": typed}).errors


def test_the_same_repair_sent_again_stores_its_parts_once(job: Job, junior: User) -> None:
    details = repairing.RepairDetails(
        cause_for("body/horn/horn", "open circuit"), builders.Proof.SEEN, "New horn.", uuid.uuid4(),
        lines=[PartLine("Horn", "H 1", Decimal(1), Decimal(28))],
    )  # fmt: skip
    one, two = (repairing.record_repair(job, details, by=junior, at=NOW) for _ in range(2))
    assert (one, RepairPart.objects.count()) == (two, 1)


def test_parts_and_what_was_measured_again_never_change(job: Job, junior: User) -> None:
    repair = mend(job, junior, cured=None)
    RepairPart.objects.create(repair=repair, words="Horn", quantity=1)
    with pytest.raises(DatabaseError), transaction.atomic():
        RepairPart.objects.update(words="Horn, dear")
    assert [each.message for each in broken_chains()] == [
        f"Its repair part {RepairPart.objects.get().pk} is in no event: it was put in behind the doors."
    ]


# Measured again, and verified


def verified(client: builders.Client, repair: Repair, **sent: str | list[str]) -> builders.HttpResponse:
    sent = {"client_id": str(uuid.uuid4()), "cured": "cured", "seen": POINT, **sent}
    return client.post(reverse("jobs:verify", args=[repair.pk]), sent)


@pytest.fixture
def mended(bad_ground: Result, junior: User) -> Repair:
    return mend(bad_ground.run.job, junior, result=bad_ground, cause=("body/horn/earth", "high resistance"), cured=None)


def test_whoever_verifies_sees_what_can_hurt_them_in_the_steps_that_were_done(
    bad_ground: Result, mended: Repair, junior: User
) -> None:
    """To see whether it is gone is to run it again; what can only be damaged is left to the steps."""
    Caution.objects.filter(key="probe-terminals").update(signal=Caution.Signal.WARNING)
    Caution.objects.filter(key="isolate-before-power").update(signal=Caution.Signal.DANGER)
    page = signed_in(junior).get(reverse("jobs:verify", args=[mended.pk]))
    shown = [caution.key for caution in page.context["cautions"]]
    flow = run_state_of(bad_ground.run_id).flow
    done = {key for row in bad_ground.run.results.all() for key in flow.step_by_key[row.step].cautions}
    assert shown == [key for key in ("isolate-before-power", "probe-terminals") if key in done] and shown
    assert all(caution.text in words_of(page) for caution in page.context["cautions"])
    kept = signed_in(junior).get(reverse("jobs:pack-verify", args=[bad_ground.run_id]))
    assert {caution.key for caution in kept.context["cautions"]} == {"isolate-before-power", "probe-terminals"}


def test_what_proved_it_is_measured_again_and_stands_beside_what_was_before(mended: Repair, junior: User) -> None:
    client = signed_in(junior)
    page = words_of(client.get(reverse("jobs:verify", args=[mended.pk])))
    assert "Before the repair: Drop too high , 0.9 V" in page
    assert POINT in page
    assert verified(client, mended, typed="30 mV").status_code == 302
    again = MeasuredAgain.objects.get()
    assert (again.reading, again.unit, again.outcome, again.proposed) == (Decimal("0.03"), "V", "good", "good")
    assert Verification.objects.get().how == f"{POINT}."
    for name in ("job", "write-up", "technical"):
        told_now = words_of(client.get(reverse(f"jobs:{name}", args=[mended.job_id])))
        assert "Before the repair After it 0.9 V Drop too high 0.03 V Ground carries the load" in told_now
    assert list(broken_chains()) == []


def test_a_reading_that_says_the_same_as_before_is_no_cure_without_a_reason(mended: Repair, junior: User) -> None:
    client = signed_in(junior)
    refused = verified(client, mended, typed="0.8")
    assert refused.status_code == 422
    assert "Measured again it says the same as before: Drop too high." in words_of(refused)
    assert 'value="0.8"' in refused.content.decode()
    assert not MeasuredAgain.objects.exists()
    assert verified(client, mended, typed="0.8", why="The clip slipped.").status_code == 302
    assert MeasuredAgain.objects.get().override_why == "The clip slipped."


def test_a_check_refused_for_want_of_words_asks_no_reason_for_a_reading_that_nobody_took(
    mended: Repair, junior: User
) -> None:
    reply = signed_in(junior).post(
        reverse("jobs:verify", args=[mended.pk]), {"client_id": uuid.uuid4(), "cured": "cured", "typed": ""}
    )
    assert reply.status_code == 422
    assert "Say how it was checked" in words_of(reply)
    assert "Why this is right" not in words_of(reply)


def test_a_reading_far_from_expected_needs_a_reason(mended: Repair, junior: User) -> None:
    client = signed_in(junior)
    refused = verified(client, mended, typed="480")
    assert (refused.status_code, MeasuredAgain.objects.count()) == (422, 0)
    assert "480 V is far from what can be expected here" in words_of(refused)
    assert "Why this is right after the repair" in words_of(refused)
    assert verified(client, mended, typed="480", why="Seen on two meters.").status_code == 302
    assert MeasuredAgain.objects.get().override_why == "Seen on two meters."


def test_a_reading_that_no_answer_fits_is_no_cure_without_a_reason(
    mended: Repair, junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    nothing = Judgement("", Verdict.CLEAR, None, None, None, "", "")
    monkeypatch.setattr(repairing, "put_reading", lambda *_of: nothing)
    refused = verified(signed_in(junior), mended, typed="0.3")
    assert (refused.status_code, MeasuredAgain.objects.count()) == (422, 0)
    assert "As far as its limits are known, no answer fits this reading." in words_of(refused)


def test_the_reading_that_was_overruled_before_is_no_cure_without_a_reason(run: Run, junior: User) -> None:
    follow(run, TO_GROUND[:-1], junior)
    said = builders.say(run, "ground", "bad", "0.03", override_why="The clip slipped.")
    end = builders.following.record(run, said, by=junior, at=NOW).result
    repair = mend(run.job, junior, result=end, cause=("body/horn/earth", "high resistance"), cured=None)
    refused = verified(signed_in(junior), repair, typed="0.03")
    assert (refused.status_code, MeasuredAgain.objects.count()) == (422, 0)
    assert "Measured again it says the same as before: Ground carries the load." in words_of(refused)


def test_what_was_measured_for_one_check_never_stands_beside_the_verdict_of_another(
    mended: Repair, junior: User
) -> None:
    client = signed_in(junior)
    verified(client, mended, typed="0.9", cured="not-cured")
    before = words_of(client.get(reverse("jobs:job", args=[mended.job_id])))
    assert "Before the repair After it" in before
    verified(client, mended)
    for name in ("job", "write-up", "technical"):
        page = words_of(client.get(reverse(f"jobs:{name}", args=[mended.job_id])))
        assert "Before the repair After it" not in page


def test_what_cannot_be_read_is_told_at_its_field(mended: Repair, junior: User) -> None:
    refused = verified(signed_in(junior), mended, typed="12 kg")
    assert (refused.status_code, Verification.objects.count()) == (422, 0)
    assert "kg" in words_of(refused)


def test_a_verification_sent_again_measures_once(mended: Repair, junior: User) -> None:
    client, sent = signed_in(junior), {"client_id": str(uuid.uuid4()), "typed": "0.03"}
    assert [verified(client, mended, **sent).status_code for _ in range(2)] == [302, 302]
    assert (MeasuredAgain.objects.count(), Verification.objects.count()) == (1, 1)


def test_points_that_ask_for_a_reading_take_it_in_their_unit(
    run: Run, junior: User, senior: User, second: User
) -> None:
    text = builders.HORN_TEXT.replace("Sound the horn **ten times**.", "Feed over **11 V** while it sounds. No smell.")
    draft = builders.publishing.start_draft(builders.flow_from(text), by=senior, at=NOW)
    builders.publishing.publish(draft, by=second, at=NOW)
    builders.following.move_to_newest(run, by=junior)
    repair = mend(run.job, junior, result=follow(run, TO_GROUND, junior)[-1], cured=None)
    client = signed_in(junior)
    feed = {"asked_0": "Feed over 11 V while it sounds", "seen": "No smell"}
    refused = verified(client, repair, read_0="2 kg", **feed)
    assert refused.status_code == 422
    assert verified(client, repair, read_0="12,1", **feed).status_code == 302
    assert Verification.objects.get().how == "Feed over 11 V while it sounds: 12.1 V.\nNo smell."


def test_a_point_takes_no_reading_under_all_that_there_is(run: Run, junior: User, senior: User, second: User) -> None:
    text = builders.HORN_TEXT.replace("Sound the horn **ten times**.", "Pressure over **0.9 bar** then. No smell.")
    draft = builders.publishing.start_draft(builders.flow_from(text), by=senior, at=NOW)
    builders.publishing.publish(draft, by=second, at=NOW)
    builders.following.move_to_newest(run, by=junior)
    repair = mend(run.job, junior, result=follow(run, TO_GROUND, junior)[-1], cured=None)
    asked = {"asked_0": "Pressure over 0.9 bar then", "seen": "No smell"}
    refused = verified(signed_in(junior), repair, read_0="-2", **asked)
    assert "-2 bar cannot be: nothing lies below -1.1 bar" in words_of(refused)
    assert verified(signed_in(junior), repair, read_0="0.95", **asked).status_code == 302


@pytest.mark.parametrize(
    "sent",
    [{"seen": "Sound the horn twice"}, {"seen": "on"}, {"read_0": "12.1", "asked_0": "Feed over 9 V"},
     {"read_0": "12.1"},
     {"read_7": "12.1", "asked_7": "Feed over 9 V", "seen": "No smell"}],
    ids=["tick", "no-text", "reading", "reading-of-what", "reading-without-place"],
)  # fmt: skip
def test_what_another_revision_asked_for_is_refused_in_words(
    run: Run, junior: User, senior: User, second: User, sent: dict[str, str]
) -> None:
    """Only its place would tell it apart: another sentence would stand there as done."""
    text = builders.HORN_TEXT.replace("Sound the horn **ten times**.", "Feed over **11 V** while it sounds. No smell.")
    draft = builders.publishing.start_draft(builders.flow_from(text), by=senior, at=NOW)
    builders.publishing.publish(draft, by=second, at=NOW)
    builders.following.move_to_newest(run, by=junior)
    repair = mend(run.job, junior, result=follow(run, TO_GROUND, junior)[-1], cured=None)
    refused = verified(signed_in(junior), repair, **({"seen": "No smell"} | sent))
    assert (refused.status_code, Verification.objects.count()) == (422, 0)
    assert "is not asked here any more" in words_of(refused)
    assert 'name="asked_0" value="Feed over 11 V while it sounds"' in refused.content.decode()


def test_ticks_that_a_device_kept_without_their_words_are_refused(mended: Repair, junior: User) -> None:
    refused = verified(signed_in(junior), mended, seen_0="on")
    assert (refused.status_code, Verification.objects.count()) == (422, 0)
    assert "Open it again, and tick what you did" in words_of(refused)


def test_only_the_step_that_proved_it_is_measured_again(mended: Repair, junior: User) -> None:
    with pytest.raises(NotPossible, match="not the step that proved"):
        repairing.verify_repair(
            mended, Verification.Cured.YES, how="x", by=junior, at=NOW, client_id=uuid.uuid4(),
            again=builders.say(mended.result.run, "supply", typed="12.4"),
        )  # fmt: skip


def asked_twice(run: Run, junior: User, senior: User, second: User) -> Repair:
    """A repair of a procedure whose verification has two points."""
    text = builders.HORN_TEXT.replace(
        "Sound the horn **ten times**.", "Sound the horn ten times. Once more in the wash."
    )
    draft = builders.publishing.start_draft(builders.flow_from(text), by=senior, at=NOW)
    builders.publishing.publish(draft, by=second, at=NOW)
    builders.following.move_to_newest(run, by=junior)
    return mend(run.job, junior, result=follow(run, TO_GROUND, junior)[-1], cured=None)


def test_a_cure_half_looked_at_needs_a_word_why_it_counts(run: Run, junior: User, senior: User, second: User) -> None:
    repair, client = asked_twice(run, junior, senior, second), signed_in(junior)
    half: dict[str, str | list[str]] = {"typed": "", "seen": [POINT], "how": ""}
    refused = verified(client, repair, **half)
    assert refused.status_code == 422
    assert "1 of 2 are not ticked: Once more in the wash." in words_of(refused)
    assert not Verification.objects.exists()
    assert verified(client, repair, **{**half, "how": "The wash is closed; hosed down instead."}).status_code == 302
    assert Verification.objects.get().how == f"{POINT}.\nThe wash is closed; hosed down instead."


@pytest.mark.parametrize("cured", ["not-cured", "not-checked"])
def test_what_is_no_cure_may_be_half_looked_at(run: Run, junior: User, senior: User, second: User, cured: str) -> None:
    repair = asked_twice(run, junior, senior, second)
    assert verified(signed_in(junior), repair, typed="", seen=[POINT], how="", cured=cured).status_code == 302


def test_the_check_says_what_is_still_open_and_takes_what_is_back(run: Run, junior: User) -> None:
    """What is tried is the vehicle as the customer drives it: with its bumper on, and without another known fault."""
    repair = mend(run.job, junior, result=follow(run, TO_GROUND, junior)[-1], cured=None)
    noting.note_finding(run.job, "Feed chafed.", by=junior, at=NOW, client_id=uuid.uuid4())
    client, off = signed_in(junior), [each.part for each in off_on(run.job)]
    page = words_of(client.get(reverse("jobs:verify", args=[repair.pk])))
    assert "Still open on this vehicle: Feed chafed." in page
    assert off and all(part in page for part in off)
    back = f"{run.pk}:{off[0]}"
    refused = verified(client, repair, typed="", cured="not-cured", seen="", how="", back=back)
    assert refused.status_code == 422
    assert [each.part for each in off_on(run.job)] == off
    assert verified(client, repair, typed="", back=back).status_code == 302
    assert [each.part for each in off_on(run.job)] == off[1:]
