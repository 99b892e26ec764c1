"""Without the network under another name, behind a lost reply, on a closed job, before a danger."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import datetime
from io import BytesIO
from pathlib import Path
from uuid import uuid4

import pytest
from django.utils import timezone
from PIL import Image
from playwright.sync_api import Page, expect

from shopkb.accounts.models import User
from shopkb.core.flow import editing
from shopkb.jobs.actions import closing, handing_over
from shopkb.jobs.actions.receiving import Receipt, receive
from shopkb.jobs.models import DangerPassed, Job, Photo, Run
from shopkb.procedures import publishing
from shopkb.procedures.instruction_pictures import as_markdown, keep_picture
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from tests.conftest import NOW
from tests.door import Door

from .away import arrives, back, door, gone, kept, reading, unsent, visits
from .conftest import PHONE, TABLET, Visits
from .scenes import FAN, TO_CLICKS, TO_SUPPLY, fan_job
from .test_junior import answer, title

__all__ = ["door", "visits"]

pytestmark = [pytest.mark.journey, pytest.mark.device, pytest.mark.django_db(transaction=True)]


def test_nothing_is_sent_under_another_name_and_nothing_is_lost(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User, senior: User
) -> None:
    run = fan_job(junior, shelf[FAN], TO_CLICKS)
    page = visits.open(PHONE, junior, path=f"/jobs/runs/{run.pk}/")
    title(page, "Voltage across the fan fuse")
    kept(page, run, "fuse-drop", "box-feed")
    door.shut()
    read_without(page, run, door)
    page.goto("about:blank")
    page.context.clear_cookies()
    door.open()
    page.goto(f"{door.address}/sign-in/")
    page.get_by_label("Username").fill("senior")
    page.get_by_label("Password").fill("senior-knows-it")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("button", name="Sign out")).to_be_visible()
    unsent(page, "2 not sent")
    page.locator("#unsent").click()
    page.get_by_role("button", name="Send now").click()
    expect(page.locator("#outbox-list .told").first).to_have_text("given by somebody else: it waits until they sign in")
    visits.shot(page, "offline-other")
    assert run.results.count() == len(TO_CLICKS)
    assert page.evaluate("caches.keys().then(names => names.filter(name => name.startsWith('run-')).length)") == 0
    page.goto(f"{door.address}/")
    page.get_by_role("button", name="Sign out").click()
    page.get_by_label("Username").fill("junior")
    page.get_by_label("Password").fill("junior-knows-it")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("button", name="Sign out")).to_be_visible()
    page.goto(f"{door.address}/jobs/outbox/")
    unsent(page, "all sent")
    told = run.results.filter(pk__gt=run.results.all()[3].pk).values_list("step", "outcome", "skipped", "override_why")
    assert list(told) == [
        ("fuse-drop", "whole", "", "Tip slipped."),
        ("box-feed", "", "no-access", ""),
    ]


def read_without(page: Page, run: Run, door: Door) -> None:
    """The server goes while the page of the step is open: the answer is kept; so are a reason and what is left out."""
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")
    page.get_by_role("textbox", name="Reading", exact=True).fill("two")
    answer(page, "No voltage across the fuse")
    expect(page.locator("#verdict")).to_contain_text('"two" is not a number')
    unsent(page, "all sent")
    reading(page, "0.6", "No voltage across the fuse")
    page.get_by_label('Why "No voltage across the fuse" all the same', exact=False).fill("Tip slipped.")
    page.get_by_role("button", name="Answer with this reason").click()
    arrives(page, "Fan current, fed at the relay socket")
    page.locator("summary", has_text="Cannot do this").click()
    page.get_by_label("cannot get at it").check()
    page.get_by_label(re.compile("Too little current")).check()
    page.get_by_role("button", name="Leave it out and go on").click()
    arrives(page, "Voltage lost in the fan plug, still on")
    unsent(page, "2 not sent")


def test_another_fault_is_noted_away_and_stands_with_the_job(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User
) -> None:
    run = fan_job(junior, shelf[FAN], TO_CLICKS)
    page = visits.open(PHONE, junior, path=f"/jobs/runs/{run.pk}/")
    kept(page, run, "fuse-drop", "box-feed")
    gone(page, door)
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")
    arrives(page, "Voltage across the fan fuse")
    expect(page.locator("#pack-state")).to_contain_text("No network:")
    page.get_by_role("link", name="Note another fault").click()
    arrives(page, "Note another fault")
    visits.shot(page, "offline-finding")
    page.get_by_label("What was found").fill("Wiper arm loose.")
    page.get_by_role("button", name="Keep it with the job").click()
    arrives(page, "Voltage across the fan fuse")
    unsent(page, "1 not sent")
    back(page, door)
    page.goto(f"{door.address}/jobs/outbox/")
    unsent(page, "all sent")
    assert [finding.words for finding in run.job.findings.all()] == ["Wiper arm loose."]


def test_an_answer_and_a_picture_whose_replies_are_lost_are_one_each(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User
) -> None:
    """The server has stored it; the device does not know, keeps it, and sends it again."""
    run = fan_job(junior, shelf[FAN], TO_CLICKS[:3])
    page = visits.open(PHONE, junior, path=f"/jobs/runs/{run.pk}/")
    kept(page, run, "both-speeds", "fuse-drop")
    before = run.results.count()
    door.loses = lambda: run.results.count() > before
    answer(page, "Fan silent, the high-speed relay clicks")
    title(page, "Voltage across the fan fuse")
    unsent(page, "1 not sent")
    door.loses = lambda: False
    page.evaluate("Outbox.send()")
    unsent(page, "all sent")
    expect(page.locator("#pack-state")).to_have_text("The network is back and everything is sent.")
    page.get_by_role("link", name="Go on with the network").click()
    title(page, "Voltage across the fan fuse")
    assert run.results.count() == before + 1
    picture_with_a_lost_reply(page, door, run)


def picture_with_a_lost_reply(page: Page, door: Door, run: Run) -> None:
    page.goto(f"{door.address}/jobs/{run.job_id}/photos/new/")
    page.evaluate("Object.defineProperty(crypto, 'randomUUID', {value: undefined})")  # as over plain HTTP
    door.loses = lambda: Photo.objects.exists()
    page.get_by_label("Picture").set_input_files({"name": "pin.png", "mimeType": "image/png", "buffer": png()})
    page.get_by_role("button", name="Save the picture").click()
    unsent(page, "1 not sent")
    door.loses = lambda: False
    page.evaluate("Outbox.send()")
    unsent(page, "all sent")
    assert Photo.objects.get().job_id == run.job_id


def test_a_refused_answer_stays_until_it_is_saved_and_taken_off(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User
) -> None:
    run = fan_job(junior, shelf[FAN], TO_SUPPLY)
    page = visits.open(PHONE, junior, path=f"/jobs/runs/{run.pk}/")
    kept(page, run, "supply", "contacts-drop")
    door.shut()
    page.reload()
    reading(page, "4.6", "Feed loses too much or is dead")
    arrives(page, "Voltage across the contacts")
    closing.close_job(run.job, Job.Disposition.UNSOLVED, by=junior, at=timezone.now())
    door.open()
    page.goto(f"{door.address}/jobs/outbox/")
    row = page.locator("#outbox-list li")
    expect(row).to_contain_text(f"not taken: Job {run.job_id} is closed; nothing more can be recorded on it.")
    visits.shot(page, "offline-refused")
    visits.refused()
    with page.expect_download() as told:
        page.get_by_role("button", name="Save it and take it off").click()
    (item,) = json.loads(Path(told.value.path()).read_text(encoding="utf-8"))
    assert (item["step"], item["typed"]) == ("supply", "4.6")
    unsent(page, "all sent")


def test_everything_that_came_too_late_is_named_and_stays_on_the_page_of_the_job(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User, senior: User
) -> None:
    """Somebody took the procedure over while two answers waited on the device."""
    run = fan_job(junior, shelf[FAN], TO_CLICKS)
    page = visits.open(PHONE, junior, path=f"/jobs/runs/{run.pk}/")
    kept(page, run, "fuse-drop", "box-feed")
    door.shut()
    page.reload()
    reading(page, "0.02", "No voltage across the fuse")
    arrives(page, "Fan current, fed at the relay socket")
    reading(page, "1", "Too little current")
    unsent(page, "2 not sent")
    handing_over.take_over(run, by=senior, at=timezone.now(), client_id=uuid4())
    door.open()
    page.goto(f"{door.address}/jobs/outbox/")
    unsent(page, "all sent")
    told = page.locator("#outbox-told")
    expect(told).to_contain_text("Kept, but too late to count:")
    expect(told).to_contain_text("No voltage across the fuse")
    expect(told).to_contain_text("Too little current")
    visits.shot(page, "offline-late")
    page.goto(f"{door.address}/jobs/{run.job_id}/")
    late = page.locator("section", has_text="Came too late to count")
    expect(late).to_contain_text("No voltage across the fuse")
    expect(late).to_contain_text("Too little current")


def test_an_item_that_the_server_fails_on_stops_nothing_but_its_own_run(
    visits: Visits, shelf: dict[str, Procedure], junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The others are sent in the same round; what fails again and again is tried last and can be taken off."""
    bad, good = (fan_job(junior, shelf[FAN], TO_CLICKS) for _ in range(2))
    asked: list[int] = []

    def fails_on_one(run: Run, item: Mapping[str, str], *, by: User, at: datetime) -> Receipt:
        asked.append(run.pk)
        if run.pk == bad.pk:
            raise RuntimeError("a lasting fault of the server")
        return receive(run, item, by=by, at=at)

    monkeypatch.setattr("shopkb.jobs.views.outbox.receive", fails_on_one)
    page = visits.open(PHONE, junior, path="/jobs/outbox/")
    give = "item => Outbox.add({kind: 'answer', typed: '0.02', outcome: 'whole', step: 'fuse-drop', ...item})"
    for run in (bad, good):
        page.evaluate(give, {"run": run.pk})
    page.evaluate(give, {"run": bad.pk, "step": "box-feed", "outcome": "none", "typed": "0.3"})
    page.evaluate("Outbox.send()")
    unsent(page, "2 not sent")
    assert (good.results.count(), asked) == (len(TO_CLICKS) + 1, [bad.pk, good.pk])
    expect(page.locator("#outbox-told")).to_contain_text("fuse-drop: whole: the server failed on this once.")
    for _again in range(2):
        page.evaluate("Outbox.send()")
    page.evaluate(give, {"run": good.pk, "step": "box-feed", "outcome": "none", "typed": "0.3"})
    asked.clear()
    page.evaluate("Outbox.send()")
    unsent(page, "2 not sent")
    assert asked == [good.pk, bad.pk]
    assert good.results.count() == len(TO_CLICKS) + 2
    expect(page.locator("#outbox-list li").first).to_contain_text("the server failed on this 4 times")
    with page.expect_download():
        page.get_by_role("button", name="Save it and take it off").click()
    visits.forgiven("status of 500")


def test_a_danger_is_confirmed_without_the_network(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User
) -> None:
    way = (("arrival", "fits", ""), ("level", "low", ""), ("pressure", "falls", "0.4"))
    run = fan_job(junior, shelf[FAN], way)
    page = visits.open(TABLET, junior, path=f"/jobs/runs/{run.pk}/")
    kept(page, run, "fan-with-leak", "leak-place")
    gone(page, door)
    answer(page, "Both speeds run")
    expect(page.locator(".danger-ask")).to_contain_text("Vehicle overhead")
    expect(page.get_by_role("button", name=re.compile("Radiator"))).to_be_hidden()
    visits.shot(page, "offline-danger")
    page.get_by_role("button", name="Not safe: leave it out").click()
    expect(page.get_by_label("not safe here and now")).to_be_checked()
    expect(page.get_by_role("button", name=re.compile("Radiator"))).to_be_hidden()
    page.locator("[data-confirm]").click()
    arrives(page, "Where is it wet, at cap pressure")
    answer(page, "Radiator")
    arrives(page, "Radiator")
    page.get_by_role("link", name="Back", exact=True).click()
    arrives(page, "Where is it wet, at cap pressure")
    expect(page.locator("#pack-earlier")).to_contain_text(
        "You answered this: Where is it wet, at cap pressure?: Radiator."
    )
    unsent(page, "3 not sent")
    back(page, door)
    unsent(page, "all sent")
    assert DangerPassed.objects.get().statement.startswith("The vehicle stands on locked arms")
    assert [row.step for row in run.results.not_retracted()][-2:] == ["fan-with-leak", "leak-place"]


def with_picture(procedure: Procedure, senior: User, second: User) -> None:
    """A newer revision whose instruction at the relay shows a picture that was uploaded."""
    file = BytesIO()
    Image.new("RGB", (320, 200), (90, 60, 30)).save(file, "JPEG")
    file.seek(0)
    shown = as_markdown(keep_picture(file, by=senior, at=NOW), "Where the relay sits")
    draft = publishing.draft_from(procedure.revisions.get(), by=senior, at=NOW)
    flow = flow_of(draft)
    text = f"{flow.step_by_key['box-feed'].instruction}\n\n{shown}"
    changed = editing.change_step(flow, "box-feed", {"instruction": text})
    publishing.publish(publishing.save_draft(draft, changed, by=senior, based_on=draft.checksum), by=second, at=NOW)


def take_picture(page: Page, words: str) -> None:
    page.locator("summary", has_text="Take a picture").click()
    page.get_by_label("Picture").set_input_files({"name": "pin.png", "mimeType": "image/png", "buffer": png()})
    page.get_by_label("What it shows").fill(words)
    page.get_by_role("button", name="Save the picture").click()
    expect(page.locator("[data-says]")).to_have_text(re.compile("^Not sent: the picture is kept on this device"))


def png() -> bytes:
    file = BytesIO()
    Image.new("RGB", (2400, 1200), (30, 60, 90)).save(file, "PNG")
    return file.getvalue()


SIZES = """run => caches.open('run-' + run).then(async cache => {
  const sizes = {};
  for (const kept of await cache.keys()) sizes[kept.url] = (await (await cache.match(kept)).arrayBuffer()).byteLength;
  return sizes;
})"""
DRAWN = "image => image.complete && image.naturalWidth"


def test_pictures_are_shown_and_taken_without_the_network(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User, senior: User, second: User
) -> None:
    """Those of the instructions are kept with the run; those taken wait, each is sent once, after its answer."""
    with_picture(shelf[FAN], senior, second)
    run = fan_job(junior, shelf[FAN], TO_CLICKS)
    page = visits.open(PHONE, junior, path=f"/jobs/runs/{run.pk}/")
    kept(page, run, "fuse-drop", "box-feed")
    what_was_cut_off_is_not_kept(page, run)
    gone(page, door)
    page.reload()
    arrives(page, "Voltage across the fan fuse")
    take_picture(page, "Fuse box")
    reading(page, "0.02", "No voltage across the fuse")
    arrives(page, "Fan current, fed at the relay socket")
    assert page.get_by_alt_text("Where the relay sits").evaluate(DRAWN) == 320
    take_picture(page, "Brown pin")
    unsent(page, "3 not sent")
    page.locator("#unsent").click()
    title(page, "Not sent yet")
    expect(page.locator("#outbox-list li")).to_have_count(3)
    expect(page.locator("#outbox-list li", has_text="Picture: Brown pin").locator("canvas")).to_be_visible()
    visits.shot(page, "offline-pictures")
    with page.expect_download() as told:
        page.get_by_role("button", name="Save to a file").click()
    items = json.loads(Path(told.value.path()).read_text(encoding="utf-8"))
    beginning = "data:image/jpeg;base64,"
    assert [item.get("picture", "")[: len(beginning)] for item in items] == [beginning, "", beginning]
    page.get_by_role("link", name="Back to the step").click()
    arrives(page, "Fan current, fed at the relay socket")
    back(page, door)
    page.evaluate("Outbox.send()")
    unsent(page, "all sent")
    told_of = Photo.objects.order_by("pk").values_list("words", "result__step", "width", "height")
    assert list(told_of) == [("Fuse box", "both-speeds", 1600, 800), ("Brown pin", "fuse-drop", 1600, 800)]


CUT_OFF = """length => whole(new Response('<p>', {headers: {'Content-Length': length}})).then(
  kept => kept.text(), error => error.message)"""


def what_was_cut_off_is_not_kept(page: Page, run: Run) -> None:
    """The browser may take a body that merely ended for a whole one; the page kept before stays then."""
    (worker,) = page.context.service_workers
    assert [worker.evaluate(CUT_OFF, length) for length in ("3", "4", "0")] == ["<p>", "cut off", "cut off"]
    sizes = page.evaluate(SIZES, run.pk)
    assert min(size for address, size in sizes.items() if "known-vehicles" not in address) > 1000, sizes
    told = page.context.new_cdp_session(page).send("Page.getInstallabilityErrors")
    missing = {error["errorId"] for error in told["installabilityErrors"]}
    assert missing <= {"in-incognito"}, "it can be put on the home screen"
