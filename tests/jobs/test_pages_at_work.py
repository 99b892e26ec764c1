"""A job by its pages from intake to write-up: what is stored, and what a refusal keeps."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta

import pytest
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.catalog.models import Caution, Platform, System
from shopkb.jobs import vehicle_state
from shopkb.jobs.actions import closing, following, handing_over
from shopkb.jobs.actions.receiving import receive
from shopkb.jobs.models import Job, Repair, Result, Run, Verification
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from tests import builders
from tests.builders import TO_GROUND, TO_HORN, TO_RELAY, follow, get, mend, say, signed_in, words_of
from tests.conftest import NOW


def pages(run: Run) -> dict[str, str]:
    """Every page of the room that is opened by a link."""
    repair = Repair.objects.first() or mend(run.job, run.holder, cured=None)
    return {
        "list": reverse("jobs:list"),
        "new": reverse("jobs:new"),
        "job": reverse("jobs:job", args=[run.job_id]),
        "repair": reverse("jobs:repair", args=[run.job_id]),
        "write-up": reverse("jobs:write-up", args=[run.job_id]),
        "verify": reverse("jobs:verify", args=[repair.pk]),
        "run": reverse("jobs:run", args=[run.pk]),
        "chart": reverse("jobs:chart", args=[run.pk]),
        "more": reverse("jobs:more", args=[run.pk]),
        "step": reverse("jobs:step", args=[run.pk, "press"]),
        "skip": reverse("jobs:skip", args=[run.pk, "press"]),
    }


# Taking in


def intake(**changes: object) -> dict[str, object]:
    fields: dict[str, object] = {
        "registration": "SB 900",
        "platform": Platform.objects.get(path="curlew/dunlin").pk,
        "complaint": "Horn is dumb.",
        "complaint_verified": "not-yet",
        "client_id": str(uuid.uuid4()),
    }
    return fields | changes


def test_a_vehicle_is_taken_in_once(yard: None, junior: User) -> None:
    client, sent = signed_in(junior), intake()
    one, two = (client.post(reverse("jobs:new"), sent) for _ in range(2))
    job = Job.objects.get()
    assert one["Location"] == two["Location"] == reverse("jobs:job", args=[job.pk])
    assert (job.complaint, job.opened_by) == ("Horn is dumb.", junior)


def test_a_refused_intake_keeps_what_was_typed(yard: None, junior: User) -> None:
    sent = intake(vin="1G4AH59H45GO18341", codes="PO480", complaint="Horn & lamp <dumb>", circumstances="In rain")
    response = signed_in(junior).post(reverse("jobs:new"), sent)
    page = response.content.decode()
    assert response.status_code == 422
    for kept in ("SB 900", "1G4AH59H45GO18341", "PO480", "Horn &amp; lamp &lt;dumb&gt;", "In rain"):
        assert kept in page
    assert str(sent["client_id"]) in page
    assert "Position 12 holds O, which is never used: it may be the figure 0" in page
    assert not Job.objects.exists()


def test_a_comeback_page_starts_from_the_earlier_job(horn: Procedure, junior: User) -> None:
    first = builders.cured_job(horn, junior)
    client, url = signed_in(junior), reverse("jobs:new")
    page, _queries = get(client, reverse("jobs:new"), comeback_of=str(first.pk))
    assert first.vehicle.registration in page.content.decode()
    response = client.post(url, intake(registration=first.vehicle.registration, comeback_of=str(first.pk)))
    later = Job.objects.latest("pk")
    assert (response["Location"], later.comeback_of) == (reverse("jobs:job", args=[later.pk]), first)
    assert "It came back" in words_of(client.get(reverse("jobs:job", args=[first.pk])))


def test_a_comeback_on_another_vehicle_keeps_what_was_typed(horn: Procedure, junior: User) -> None:
    first = builders.cured_job(horn, junior)
    response = signed_in(junior).post(reverse("jobs:new"), intake(comeback_of=str(first.pk)))
    assert response.status_code == 422
    assert "a comeback is the same vehicle again." in words_of(response)
    assert "Horn is dumb." in response.content.decode()


# Following


def answered(client: Client, run: Run, step: str, **sent: str) -> HttpResponse:
    return client.post(reverse("jobs:answer", args=[run.pk, step]), {"client_id": str(uuid.uuid4()), **sent})


def test_a_whole_run_by_its_pages(job: Job, horn: Procedure, junior: User) -> None:
    client = signed_in(junior)
    started = client.post(reverse("jobs:start", args=[job.pk, horn.key]), {"client_id": str(uuid.uuid4())})
    run = Run.objects.get()
    assert started["Location"] == reverse("jobs:run", args=[run.pk])
    asked = client.get(reverse("jobs:step", args=[run.pk, "supply"]))
    assert "Battery voltage with all loads off" in words_of(asked)
    answered(client, run, "press", outcome="click")
    client.post(reverse("jobs:value", args=[run.pk, "battery"]), {"typed": "12.6", "step": "supply"})
    judged = client.get(reverse("jobs:step", args=[run.pk, "supply"]), {"typed": "12.4", "unit": "V"})
    assert "Full supply" in words_of(judged)
    for step, outcome, typed in TO_HORN[1:]:
        assert answered(client, run, step, outcome=outcome, typed=typed).status_code == 302
    end = words_of(client.get(reverse("jobs:run", args=[run.pk])))
    for said in ("Horn: open circuit", "substituted", "Fit a new horn.", "Look for water in the connector."):
        assert said in end
    assert "horn connector" in end


def test_the_chart_is_one_press_from_a_step_and_opens_where_the_job_stands(run: Run, junior: User) -> None:
    client = signed_in(junior)
    chart = reverse("jobs:chart", args=[run.pk])
    step = client.get(reverse("jobs:step", args=[run.pk, "press"])).content.decode()
    assert f'href="{chart}#step-press"' in step
    page = client.get(chart).content.decode()
    assert re.search(r'<g id="step-press" class="node step card now', page)
    assert "you are here" in page
    assert f'href="{reverse("jobs:step", args=[run.pk, "supply"])}"' in page
    assert '<a href="?drawing=cards-down" aria-current="true">' in page


def test_an_end_by_elimination_is_said_to_be_weak(run: Run, junior: User) -> None:
    follow(run, [TO_RELAY[0], ("supply", "absent", "0.1")], junior)
    page = words_of(signed_in(junior).get(reverse("jobs:run", args=[run.pk])))
    assert "Weak proof (elimination): the other causes were ruled out, this one was not tested itself" in page


def test_a_refused_answer_keeps_what_was_typed(run: Run, junior: User) -> None:
    follow(run, TO_HORN[:1], junior)
    client = signed_in(junior)
    against = answered(client, run, "supply", outcome="full", typed="7.25", note="Clip was loose")
    assert against.status_code == 422
    page = against.content.decode()
    assert "The reading gives another answer. Say why you choose this one; both are kept." in words_of(against)
    assert 'value="7.25"' in page
    assert "Clip was loose" in page
    unreadable = answered(client, run, "supply", outcome="full", typed="seven")
    assert unreadable.status_code == 422
    assert 'value="seven"' in unreadable.content.decode()
    assert "'seven' does not start with a number." in words_of(unreadable)
    assert run.results.count() == 1


def test_a_refused_value_says_why(run: Run, junior: User) -> None:
    sent = {"typed": "30", "step": "supply", "client_id": str(uuid.uuid4())}
    response = signed_in(junior).post(reverse("jobs:value", args=[run.pk, "battery"]), sent)
    assert response.status_code == 422
    assert "30 V is more than can be true here. It is 16 V or less." in words_of(response)


def test_a_kept_step_names_limits_that_are_not_known_yet(job: Job, horn: Procedure, junior: User) -> None:
    run = following.start_run(job, horn, by=junior, at=NOW, client_id=uuid.uuid4())
    client, url = signed_in(junior), reverse("jobs:pack-step", args=[run.pk, "supply"])
    page = client.get(url)
    assert "data-expected" not in page.content.decode()
    said = words_of(page)
    assert "battery - feed drop × 1.3 or more ; step 3, Voltage drop of the ground" in said
    assert "1 V or more, under battery - feed drop × 1.3 ; cause:" in said
    following.record_value(run, "battery", "12.6", by=junior, at=NOW, client_id=uuid.uuid4())
    page = client.get(url)
    assert "12.16 V or more ; step 3, Voltage drop of the ground" in words_of(page)
    assert "data-expected" in page.content.decode()


def test_a_picture_taken_without_the_network_belongs_to_the_latest_answer(run: Run, junior: User) -> None:
    follow(run, TO_GROUND, junior)
    page = signed_in(junior).get(reverse("jobs:pack-step", args=[run.pk, "supply"])).content.decode()
    given = list(run.results.order_by("pk"))
    assert len(given) == 3 and f'data-answer="{given[-1].client_id}"' in page


def test_a_step_is_called_by_one_number(run: Run, junior: User) -> None:
    """The number over the page is that of its title and of the answer that leads there, however few steps were done."""
    client = signed_in(junior)
    following.record_value(run, "battery", "12.6", by=junior, at=NOW, client_id=uuid.uuid4())
    last = list(flow_of(run.revision).number_by_step.items())[-1]
    page = words_of(client.get(reverse("jobs:step", args=[run.pk, last[0]])))
    assert page.startswith(f"{last[1]} ")
    assert f"step {last[1]}, out of order" in page
    follow(run, TO_HORN[:2], junior)
    page = words_of(client.get(reverse("jobs:step", args=[run.pk, "ground"])))
    assert page.startswith("3 ")
    assert re.search("step 3: 2 done(?: in [0-9]+ min)?, at most", page)


def test_a_step_that_needs_another_first_says_so_before_anything_is_measured(run: Run, junior: User) -> None:
    client = signed_in(junior)
    following.record_value(run, "battery", "12.6", by=junior, at=NOW, client_id=uuid.uuid4())
    page = client.get(reverse("jobs:step", args=[run.pk, "ground"]))
    assert "Not yet: this step needs others before it Do first: Voltage at the connector" in words_of(page)
    assert reverse("jobs:step", args=[run.pk, "supply"]) in page.content.decode()
    for absent in ('id="answer-form"', 'id="typed"'):
        assert absent not in page.content.decode()
    follow(run, TO_HORN[:2], junior)
    page = client.get(reverse("jobs:step", args=[run.pk, "ground"]))
    assert "Not yet" not in words_of(page)
    assert 'id="answer-form"' in page.content.decode()


@pytest.mark.parametrize("page", ["jobs:step", "jobs:pack-step"])
def test_a_caution_of_an_earlier_step_of_the_same_set_up_holds_still(run: Run, junior: User, page: str) -> None:
    """Whoever takes over after a break has not seen the step that showed it. A NOTICE, damage only, is not repeated."""
    client, shown = signed_in(junior), Caution.objects.get(key="probe-terminals")
    follow(run, TO_HORN[:2], junior)
    assert "still holds" not in words_of(client.get(reverse(page, args=[run.pk, "ground"])))
    Caution.objects.filter(pk=shown.pk).update(signal="WARNING")
    said = words_of(client.get(reverse(page, args=[run.pk, "ground"])))
    assert f"WARNING {shown.title} , still holds" in said and shown.text in said
    assert "still holds" not in words_of(client.get(reverse(page, args=[run.pk, "press"])))


def test_a_value_of_somebody_who_lost_the_run_stays_on_the_page(
    job: Job, horn: Procedure, junior: User, senior: User
) -> None:
    run = following.start_run(job, horn, by=senior, at=NOW, client_id=uuid.uuid4())
    sent = {"typed": "12.71", "step": "supply", "client_id": str(uuid.uuid4())}
    response = signed_in(junior).post(reverse("jobs:value", args=[run.pk, "battery"]), sent)
    assert "Senior is following this procedure. Take it over first, then answer." in words_of(response)
    assert 'value="12.71"' in response.content.decode()


def test_the_wrong_step_leads_to_the_right_one(run: Run, junior: User) -> None:
    response = answered(signed_in(junior), run, "ground", outcome="good", typed="0.1")
    assert (response.status_code, response["Location"]) == (302, reverse("jobs:run", args=[run.pk]))
    assert run.results.count() == 0


@pytest.mark.parametrize("shown", ["", "²", "x", "9" * 400, "99999999999"])
def test_an_odd_danger_is_refused_in_words(run: Run, junior: User, shown: str) -> None:
    url = reverse("jobs:danger", args=[run.pk, "press"])
    for caution in ("no-such-caution", "isolate-before-power"):
        response = signed_in(junior).post(url, {"caution": caution, "shown_at": shown}, follow=True)
        assert "This step has no such danger any more. Open the step again." in words_of(response)
    assert not run.dangers_passed.exists()


def test_somebody_else_is_told_who_holds_the_run(run: Run, senior: User) -> None:
    client = signed_in(senior)
    assert "Junior is following this procedure" in words_of(client.get(reverse("jobs:run", args=[run.pk])))
    response = answered(client, run, "press", outcome="click")
    assert response.status_code == 422
    assert "Junior is following this procedure. Take it over first, then answer." in words_of(response)
    client.post(reverse("jobs:take-over", args=[run.pk]))
    assert answered(client, run, "press", outcome="click").status_code == 302


def test_a_skip_without_a_reason_is_asked_again(run: Run, junior: User) -> None:
    client, url = signed_in(junior), reverse("jobs:skip", args=[run.pk, "press"])
    sent = {"client_id": str(uuid.uuid4()), "onward": "click", "note": "Gate is locked"}
    response = client.post(url, sent)
    assert response.status_code == 422
    assert "Gate is locked" in response.content.decode()
    assert client.post(url, sent | {"skipped": "no-access"}).status_code == 302
    assert Result.objects.get().note == "Gate is locked"


def test_withdrawn_for_safety_is_said_on_the_step(run: Run, junior: User, second: User) -> None:
    publishing.withdraw(run.revision, by=second, at=NOW, why="Spins at hands.", for_safety=True)
    page = words_of(signed_in(junior).get(reverse("jobs:run", args=[run.pk])))
    assert "withdrawn for safety" in page
    assert "Spins at hands." in page


def test_pages_survive_a_move_that_loses_outcomes(
    run: Run, horn: Procedure, junior: User, senior: User, second: User
) -> None:
    end = follow(run, TO_GROUND, junior)[-1]
    mend(run.job, junior, result=end, cause=("body/horn/earth", "high resistance"), cured=Verification.Cured.NO)
    text = builders.HORN_TEXT.replace("bad: {label", "awful: {label").replace("full: {label", "plenty: {label")
    draft = publishing.start_draft(builders.flow_from(text), by=senior, at=NOW)
    publishing.publish(draft, by=second, at=NOW)
    following.move_to_newest(run, by=junior)
    client = signed_in(junior)
    for name, url in (pages(run) | {"from end": f"{pages(run)['repair']}?result={end.pk}"}).items():
        assert client.get(url).status_code == 200, name
    closing.close_job(run.job, Job.Disposition.UNSOLVED, by=junior, at=NOW)
    assert client.get(pages(run)["write-up"]).status_code == 200


def test_the_repair_page_survives_a_part_that_was_moved_in_the_catalog(run: Run, junior: User) -> None:
    end = follow(run, TO_GROUND, junior)[-1]
    System.objects.filter(path="body/horn/earth").update(path="body/ground")  # the door would refuse it now
    url = reverse("jobs:repair", args=[run.job_id])
    response, _queries = get(signed_in(junior), url, result=str(end.pk))
    assert response.status_code == 200
    assert "Remake the joint" in response.content.decode()


# Repairing and closing


def test_a_cause_of_a_number_no_row_has_is_refused_in_words(run: Run, junior: User) -> None:
    follow(run, TO_GROUND, junior)
    sent = {"client_id": str(uuid.uuid4()), "also": ["9" * 40], "correction": "Remade the joint."}
    response = signed_in(junior).post(reverse("jobs:repair", args=[run.job_id]), sent)
    assert (response.status_code, run.job.repairs.count()) == (422, 0)
    assert "is not a valid value" in response.content.decode()


def test_from_the_end_to_the_write_up(run: Run, junior: User) -> None:
    client = signed_in(junior)
    end = follow(run, TO_HORN, junior)[-1]
    url = f"{reverse('jobs:repair', args=[run.job_id])}?result={end.pk}"
    form = client.get(url).context["form"]
    assert "correction" not in form.initial  # an order is no work done
    sent = {
        "client_id": str(uuid.uuid4()),
        "cause": form.initial["cause"].pk,
        "proof": "substituted",
        "correction": "Fitted a new horn.",
        "minutes": "15",
    }
    refused = client.post(url, sent | {"correction": "", "part-TOTAL_FORMS": "1", "part-0-words": "horn 12 V"})
    assert refused.status_code == 422
    assert "horn 12 V" in refused.content.decode()
    client.post(url, sent)
    repair = Repair.objects.get()
    assert repair.result == end
    verify = reverse("jobs:verify", args=[repair.pk])
    unsaid = client.post(verify, {"client_id": str(uuid.uuid4()), "cured": "cured", "how": ""})
    assert unsaid.status_code == 422
    assert "Say how it was checked: the conditions of the complaint, repeated." in words_of(unsaid)
    client.post(verify, {"client_id": str(uuid.uuid4()), "cured": "cured", "how": "Ten times."})
    close = reverse("jobs:close", args=[run.job_id])
    still_off = client.post(close, {"disposition": "cured"})
    assert still_off.status_code == 422
    assert "Not confirmed to be back in place: " in words_of(still_off)
    back = [f"{run.pk}:{part}" for part in ("horn connector", "Bumper off", "In the cabin")]
    unfit = client.post(close, {"disposition": "not-present", "note": "Nothing.", "back": back})
    assert unfit.status_code == 422
    assert "A repair on this job is verified as the cure. Close it as cured" in words_of(unfit)
    assert "Nothing." in unfit.content.decode()
    done = client.post(close, {"disposition": "cured", "back": back})
    assert done["Location"] == reverse("jobs:write-up", args=[run.job_id])


NOTICE = "Please put right what is marked below"


def test_a_part_that_is_refused_alone_is_told_at_the_top(run: Run, junior: User) -> None:
    end = follow(run, TO_HORN, junior)[-1]
    url = f"{reverse('jobs:repair', args=[run.job_id])}?result={end.pk}"
    client = signed_in(junior)
    sent = {
        "client_id": str(uuid.uuid4()), "cause": client.get(url).context["form"].initial["cause"].pk,
        "proof": "substituted", "correction": "Fitted a new horn.", "part-TOTAL_FORMS": "1",
        "part-0-words": "horn 12 V", "part-0-price": "dear",
    }  # fmt: skip
    refused = client.post(url, sent)
    page = refused.content.decode()
    assert refused.status_code == 422
    assert words_of(refused).index(NOTICE) < words_of(refused).index("The cause")
    assert re.findall(r'name="([^"]*)"[^>]*aria-invalid="true"', page) == ["part-0-price"]


def test_a_tick_that_is_missing_is_told_at_the_top(run: Run, junior: User) -> None:
    follow(run, TO_HORN, junior)
    refused = signed_in(junior).post(reverse("jobs:close", args=[run.job_id]), {"disposition": "unsolved"})
    page = refused.content.decode()
    assert words_of(refused).index(NOTICE) < words_of(refused).index("Vehicle")
    assert set(re.findall(r'name="([^"]*)"[^>]*aria-invalid="true"', page)) == {"back"}


def test_not_cured_leads_back_to_the_job(run: Run, junior: User) -> None:
    repair = mend(run.job, junior, cured=None)
    sent = {"client_id": str(uuid.uuid4()), "cured": "not-cured", "how": "Still dumb."}
    response = signed_in(junior).post(reverse("jobs:verify", args=[repair.pk]), sent, follow=True)
    assert response.redirect_chain[-1][0] == reverse("jobs:job", args=[run.job_id])
    assert "repaired, and the complaint stayed, so it is hardly possible any more." in words_of(response)


def test_the_write_up_tells_complaint_cause_correction_readings_and_way(horn: Procedure, junior: User) -> None:
    job = builders.take_in(
        junior,
        registration="SB 77",
        vin="1M8GDM9AXKP042788",
        year=2019,
        odometer=120500,
        circumstances="Only in rain.",
        codes=["B0900"],
    )
    run = builders.start(job, horn, junior)
    follow(run, TO_HORN[:1], junior)
    following.record(run, say(run, "supply", "full", "7", override_why="Tip slipped"), by=junior, at=NOW)
    end = follow(run, TO_HORN[2:], junior)[-1]
    mend(job, junior, cause=("body/horn/relay", "burnt contacts"), cured=Verification.Cured.NO)
    mend(job, junior, result=end)
    closing.close_job(job, Job.Disposition.CURED, by=junior, at=NOW + timedelta(days=1), note="Told the driver.")
    page = words_of(signed_in(junior).get(reverse("jobs:write-up", args=[job.pk])))
    for said in (
        "SB 77",
        "1M8GDM9AXKP042788",
        "The horn does not sound.",
        "Only in rain.",
        "B0900",
        "Horn: open circuit Proven by measurement: Feed the horn from the battery Found: Horn stays silent",
        "Not the cause, or not the only one: Horn relay: burnt contacts. It was put right, and the complaint stayed.",
        "Customer",
        "Fitted a new one.",
        "Ten times, as they said.",
        "Told the driver.",
        "Voltage at the connector",
        "7 V",
        "Tip slipped",
        "0.05 V",
        "Horn stays silent",
        "Dunlin minibus",
        "2019",
        "Junior",
    ):
        assert said in page, said
    assert "no meter was named" not in page
    assert "not tried yet" not in page
    assert "vehicle maker's data" in page


def test_texts_of_people_are_never_markup(run: Run, junior: User) -> None:
    evil = "<script>alert(1)</script>"
    job = builders.take_in(junior, complaint=evil, circumstances=evil)
    own = builders.start(job, run.revision.procedure, junior)
    following.record(own, say(own, "press", "click", note=evil), by=junior, at=NOW)
    client = signed_in(junior)
    for name in ("job", "write-up", "repair"):
        assert evil not in client.get(reverse(f"jobs:{name}", args=[job.pk])).content.decode()
    for name in ("run", "chart", "more"):
        assert evil not in client.get(reverse(f"jobs:{name}", args=[own.pk])).content.decode()
    assert evil not in client.get(reverse("jobs:list"), {"words": evil, "state": "all"}).content.decode()


# Leaving a procedure


def test_leaving_asks_by_name_for_what_is_off(run: Run, junior: User) -> None:
    follow(run, TO_HORN, junior)
    following.retract(run.results.last(), by=junior, at=NOW, client_id=uuid.uuid4())
    client, url = signed_in(junior), reverse("jobs:stop", args=[run.pk])
    assert "Back in place, seen with your own eyes" in words_of(client.get(url))
    said = {"why": "Needed for the school run.", "back": ["In the cabin", "horn connector"]}
    refused = client.post(url, said)
    assert refused.status_code == 422
    assert "Still off: Bumper off. Put it back and tick it, or say that it stays off." in words_of(refused)
    assert "Needed for the school run." in refused.content.decode()
    assert client.post(url, said | {"stays": "on"})["Location"] == reverse("jobs:job", args=[run.job_id])
    run.refresh_from_db()
    assert (run.state, run.stopped_why) == (Run.State.STOPPED, "Needed for the school run.")
    assert [off.part for off in vehicle_state.off_on(run.job)] == ["Bumper off"]
    assert "Bumper off" in words_of(client.get(reverse("jobs:run", args=[run.pk])))


def test_somebody_elses_run_is_not_left(run: Run, senior: User) -> None:
    refused = signed_in(senior).post(reverse("jobs:stop", args=[run.pk]), {"why": "Bored."})
    assert refused.status_code == 422
    assert "Junior is following this procedure." in words_of(refused)


# The technical record


def test_the_technical_record_holds_everything_that_was_given(run: Run, junior: User, senior: User) -> None:
    follow(run, (*TO_HORN[:2], ("supply", "weak", "7.0")), junior)
    following.retract(run.results.last(), by=junior, at=NOW, client_id=uuid.uuid4())
    late = {"kind": "answer", "client_id": str(uuid.uuid4()), "step": "press", "outcome": "silent"}
    receive(run, late, by=junior, at=NOW)
    handing_over.take_over(run, by=senior, at=NOW, client_id=uuid.uuid4())
    vehicle_state.confirm_back(run, ["Bumper off"], by=senior, at=NOW)
    mend(run.job, senior, cured=Verification.Cured.NO)
    client, url = signed_in(junior), reverse("jobs:technical", args=[run.job_id])
    said = words_of(client.get(url))
    for words in (
        "Press the button and listen Relay clicks counts",
        "Voltage at the connector Full supply 12.4 V",
        "taken back",
        "Battery voltage with all loads off: 12.6 V",
        "Nothing to be heard This step was answered otherwise meanwhile. came too late",
        "Junior to Senior: Taken over without being handed over.",
        "Bumper off Senior",
        "Horn: open circuit , proven: measured.",
        "Not cured: Ten times, as they said.",
        "licensed practice come before this record",
    ):
        assert words in said, words
    assert "no meter named" in said and "taken as it stands" not in said
    page, queries = get(client, url)
    assert "<svg" in page.content.decode()
    mend(run.job, senior)
    builders.start(run.job, run.revision.procedure, junior)
    assert get(client, url)[1] == queries + 4, "four for the names and words on each chart"
    assert "probe terminals" in words_of(client.get(reverse("jobs:write-up", args=[run.job_id])))


@pytest.mark.parametrize("number", [0, 2**63, 10**40])
def test_a_run_of_no_possible_number_is_not_found(junior: User, number: int) -> None:
    client = signed_in(junior)
    for name in ("jobs:run", "jobs:more", "jobs:pack-end"):
        assert client.get(reverse(name, args=[number])).status_code == 404


def test_what_is_unplugged_first_is_said_on_every_page_of_a_step(
    yard: None, junior: User, senior: User, second: User
) -> None:
    """At the vehicle, away from the network and in a trial, also where the step needs no set-up and no tool."""
    text = builders.CONTROL_TEXT.replace("    access: cabin\n    minutes: 3\n", "    minutes: 3\n")
    procedure = builders.put_in_force(text, senior, second)
    run = builders.start(builders.take_in(junior), procedure, junior)
    client = signed_in(junior)
    for address in (
        reverse("jobs:step", args=[run.pk, "coil-ohms"]),
        reverse("jobs:pack-step", args=[run.pk, "coil-ohms"]),
        reverse("jobs:trial", args=[procedure.key, 1]),
    ):
        assert "Unplug first: relay." in words_of(client.get(address, follow=True)), address


def test_an_answer_says_the_title_of_the_procedure_it_goes_on_in(run: Run, junior: User) -> None:
    client = signed_in(junior)
    for page in ("jobs:step", "jobs:skip", "jobs:pack-step"):
        shown = words_of(get(client, reverse(page, args=[run.pk, "press"]))[0])
        assert "goes on in: Horn relay is not called" in shown and "horn control" not in shown
