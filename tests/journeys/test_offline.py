"""With the network gone: what was answered at the vehicle is kept, sent once, and the same as if it had been there."""

from __future__ import annotations

import json
import re
import uuid
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path

import pytest
from django.utils import timezone
from PIL import Image
from playwright.sync_api import Page, expect

from shopkb.accounts.models import User
from shopkb.catalog.models import Meter
from shopkb.jobs.actions import following
from shopkb.jobs.models import HandOver, Job, Photo, Result, Run
from shopkb.procedures.models import Procedure
from shopkb.upkeep.invariants import broken_invariants
from tests.builders import say, take_in
from tests.door import Door

from .away import arrives, back, door, gone, kept, reading, unsent, value, visits
from .conftest import PHONE, TABLET, Screen, Visits
from .scenes import FAN
from .test_junior import answer, keep, read, title

__all__ = ["door", "visits"]

pytestmark = [pytest.mark.journey, pytest.mark.device, pytest.mark.django_db(transaction=True)]

COLUMNS = (
    "step", "outcome", "skipped", "onward", "typed", "reading", "unit", "over_limit", "meter__key", "proposed",
    "verdict", "judgement", "override_why", "note", "who__username", "replaces__step", "replaces__outcome",
)  # fmt: skip


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock(timezone.now)
    monkeypatch.setattr(timezone, "now", clock)
    return clock


class Clock:
    """The server's clock, put forward when somebody goes for lunch."""

    def __init__(self, real: object) -> None:
        self.real, self.ahead = real, timedelta(0)

    def __call__(self) -> datetime:
        return self.real() + self.ahead  # type: ignore[operator]

    def forward(self, minutes: float) -> None:
        self.ahead += timedelta(minutes=minutes)


def record_of(run: Run) -> list[tuple[object, ...]]:
    return list(run.results.not_retracted().values_list(*COLUMNS))


@pytest.mark.parametrize("screen", [PHONE, TABLET], ids=lambda screen: screen.name)
def test_an_overheating_job_with_a_stretch_offline_equals_one_done_online(
    visits: Visits, door: Door, clock: Clock, shelf: dict[str, Procedure], junior: User, senior: User, screen: Screen
) -> None:
    job = take_in(junior, complaint="It ran hot in the queue at the ferry.", at=timezone.now())
    page = visits.open(screen, junior, path=f"/jobs/{job.pk}/")
    page.locator("li.row", has_text="radiator fan does not run").get_by_role("button").click()
    answer(page, "Customer or codes say it ran hot")
    answer(page, "Level right")
    first_reading(page)
    away_for_lunch(page, clock)
    overrule(page, visits)
    run = Run.objects.get()
    hand_over(page, run)
    other = visits.open(screen, senior, path="/")
    accept(other, visits)
    photograph(other)
    stretch_offline(other, door, run, visits)
    repaired_in_vain(other, door, job)
    another_cause(other, clock)
    expect(other.locator(".writeup")).to_contain_text("Idled until the fan had come on twice.")
    twin = done_online(shelf[FAN], junior, senior)
    assert record_of(run) == record_of(twin)
    values = ("key", "typed", "magnitude", "unit", "who__username")
    assert list(run.values.order_by("key").values_list(*values)) == list(
        twin.values.order_by("key").values_list(*values)
    )
    assert not Result.objects.late().exists()
    assert HandOver.objects.get().accepted_at is not None
    assert Photo.objects.get().result.step == "both-speeds"
    assert Job.objects.get(pk=job.pk).disposition == Job.Disposition.CURED
    assert broken_invariants() == []


def first_reading(page: Page) -> None:
    """Too close to call for this meter."""
    keep(page, "Opening pressure printed on the cap", "1.1")
    page.locator("summary", has_text="Meter:").click()
    page.get_by_label("Meter for today").select_option("roadside-kit")
    page.get_by_role("button", name="Use it today").click()
    read(page, "1.01")
    expect(page.locator(".verdict")).to_contain_text("too close to call")
    answer(page, "Pressure holds")
    title(page, "Command both fan speeds")


def away_for_lunch(page: Page, clock: Clock) -> None:
    clock.forward(45)
    page.reload()
    card = page.get_by_role("region", name="Where this stands")
    expect(card).to_contain_text("You left this 45 min ago.")
    expect(page.get_by_role("region", name="Answered last")).to_contain_text("Pressure left after 10 minutes")
    answer(page, "Fan silent, the high-speed relay clicks")


def overrule(page: Page, visits: Visits) -> None:
    title(page, "Voltage across the fan fuse")
    read(page, "0.6")
    answer(page, "No voltage across the fuse")
    visits.refused()
    page.get_by_label('Why "No voltage across the fuse" all the same').fill("Tip slipped off the test point.")
    page.get_by_role("button", name=re.compile("with this reason")).click()
    title(page, "Fan current, fed at the relay socket")


def hand_over(page: Page, run: Run) -> None:
    page.get_by_role("link", name="More").click()
    page.get_by_role("link", name="Hand over to somebody").click()
    page.get_by_label("To whom").select_option(label="Senior")
    page.get_by_label("Why you stop here").fill("The late shift takes over.")
    page.get_by_role("button", name="Hand over").click()
    expect(page.locator(".messages")).to_contain_text("It waits for Senior to accept.")
    page.goto(page.url.split("/jobs/")[0] + f"/jobs/runs/{run.pk}/more/")
    unsent(page, "all sent")


def accept(page: Page, visits: Visits) -> None:
    page.goto(f"{visits.address}/jobs/hand-overs/{HandOver.objects.get().pk}/")
    expect(page.locator("main")).to_contain_text("The late shift takes over.")
    visits.shot(page, f"offline-accept-{page.viewport_size['width']}")
    page.get_by_role("button", name="I, Senior, have seen what is off and unsafe").click()
    title(page, "Fan current, fed at the relay socket")
    expect(page.get_by_role("region", name="Where this stands")).to_contain_text("Junior did the last step")
    leave_out(page, "Too little current")
    title(page, "Voltage lost in the fan plug, still on")
    leave_out(page, "Hardly any lost")
    title(page, "Fan connector: heat, green, loose")
    answer(page, "Clean, bright, tight")
    title(page, "Motor current, motor fed directly")


def leave_out(page: Page, onward: str) -> None:
    page.get_by_role("link", name="Cannot do this").click()
    page.get_by_label("cannot get at it").check()
    page.get_by_label(re.compile(onward)).check()
    page.get_by_role("button", name="Leave it out and go on").click()


def photograph(page: Page) -> None:
    """With an earlier answer; the picture is stored at once."""
    result = Result.objects.get(step="both-speeds")
    here = page.url
    page.goto(f"{here.split('/jobs/')[0]}/jobs/{result.run.job_id}/photos/new/?result={result.pk}")
    picture = BytesIO()
    Image.new("RGB", (64, 48), (90, 60, 30)).save(picture, "JPEG")
    page.get_by_label("Picture").set_input_files({
        "name": "relay.jpg", "mimeType": "image/jpeg", "buffer": picture.getvalue(),
    })  # fmt: skip
    page.get_by_label("What it shows").fill("The relay, brown at one pin.")
    page.get_by_role("button", name="Save the picture").click()
    title(page, "Motor current, motor fed directly")


def stretch_offline(page: Page, door: Door, run: Run, visits: Visits) -> None:
    """Three readings and two asked values without the network, the page closed and opened again in between."""
    kept(page, run, "motor-alone", "supply", "contacts-drop")
    gone(page, door)
    page.reload()
    arrives(page, "Motor current, motor fed directly")
    expect(page.locator("#pack-state")).to_contain_text("No network:")
    value(page, "Power on the fan rating plate", "240")
    unsent(page, "1 not sent")
    reading(page, "17.2", "Runs, current right")
    arrives(page, "Voltage lost on the high-speed feed")
    visits.shot(page, f"offline-step-{page.viewport_size['width']}")
    expect(page.get_by_text(re.compile("^Kept: Power on the fan rating plate.*240"))).to_be_visible()
    value(page, "Cross-section of the fan feed wire", "4")
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")  # the second interruption: the page was closed
    arrives(page, "Voltage lost on the high-speed feed")
    unsent(page, "3 not sent")
    reading(page, "4.6", "Feed loses too much or is dead")
    arrives(page, "Voltage across the contacts")
    page.get_by_role("textbox", name="Reading", exact=True).fill("4100")
    page.get_by_label("Unit", exact=True).select_option("mV")
    expect(page.locator("#verdict")).to_contain_text("The contacts lose voltage. Judged again")
    answer(page, "The contacts lose voltage")
    arrives(page, "Relay: burnt contacts")
    expect(page.locator("main")).to_contain_text("To put it right")
    unsent(page, "5 not sent")
    look_at_the_list(page, door, visits)
    repair_and_check(page, door, run, visits)
    book_in(page, door, visits)
    assert run.results.count() == 8
    back(page, door)
    page.get_by_role("button", name="Send now").click()
    unsent(page, "all sent")
    expect(page.get_by_text("Everything is sent.")).to_be_visible()
    title(page, "All sent")
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")
    arrives(page, "Relay: burnt contacts")


def repair_and_check(page: Page, door: Door, run: Run, visits: Visits) -> None:
    """The repair and its check wait behind the answers they rest on."""
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")
    page.get_by_role("link", name="Record the repair").click()
    expect(page.get_by_label(re.compile("burnt contacts"))).to_be_checked()
    expect(page.get_by_label("measured", exact=True)).to_be_checked()
    page.get_by_label("Fit a new relay of the same rating and terminal plan").check()
    page.get_by_label("Part", exact=True).fill("Fan relay")
    visits.shot(page, f"offline-repair-{page.viewport_size['width']}")
    page.get_by_role("button", name="Keep the repair, then verify").click()
    title(page, "Is the complaint gone?")
    page.get_by_label("Anything else that was checked").fill("Fan commanded high: still silent.")
    page.get_by_label("not cured: it is still there").check()
    visits.shot(page, f"offline-check-{page.viewport_size['width']}")
    page.get_by_role("button", name="Keep it").click()
    title(page, "Not sent yet")
    expect(page.locator("#outbox-list li").nth(5)).to_contain_text("burnt contacts")
    unsent(page, "7 not sent")


def book_in(page: Page, door: Door, visits: Visits) -> None:
    """A vehicle that was here lately fills itself in, and waits like an answer. Another comes in after it."""
    page.goto(f"{door.address}/jobs/new/")
    page.get_by_label("Registration").press_sequentially(
        Job.objects.get().vehicle.registration.lower().replace(" ", "")
    )
    expect(page.locator("#known")).to_contain_text("has been here before")
    expect(page.get_by_label("Vehicle", exact=True)).not_to_have_value("")
    page.get_by_label("Registration").fill("sb 77 new")
    page.get_by_label("Complaint, in the customer's words").fill("Horn is dumb.")
    page.get_by_role("button", name="Open the job").click()
    title(page, "Begin a procedure")
    page.locator("#unsent").click()
    expect(page.locator("#outbox-list li").last).to_contain_text("Booked in: sb 77 new")
    page.goto(f"{door.address}/jobs/new/")
    page.get_by_label("Vehicle", exact=True).select_option(index=1)
    page.get_by_label("Registration").fill("sb 78 new")
    page.get_by_label("Complaint, in the customer's words").fill("Horn is dumb.")
    page.get_by_role("button", name="Open the job").click()
    title(page, "Begin a procedure")
    unsent(page, "9 not sent")
    page.locator("#unsent").click()
    visits.forgiven("htmx:")  # what it says of a lookup that found no server


def look_at_the_list(page: Page, door: Door, visits: Visits) -> None:
    page.locator("#unsent").click()
    title(page, "Not sent yet")
    rows = page.locator("#outbox-list li")
    expect(rows).to_have_count(5)
    expect(rows.first).to_contain_text("Power on the fan rating plate")
    expect(rows.last).to_contain_text(
        "Voltage across the contacts of the high-speed relay, under load: The contacts lose voltage, 4100 mV"
    )
    expect(rows.last).to_contain_text("waits for the network")
    page.get_by_role("button", name="Send now").click()
    unsent(page, "5 not sent")
    visits.shot(page, f"offline-list-{page.viewport_size['width']}")
    with page.expect_download() as told:
        page.get_by_role("button", name="Save to a file").click()
    items = json.loads(Path(told.value.path()).read_text(encoding="utf-8"))
    assert [item["typed"] for item in items] == ["240", "17.2", "4", "4.6", "4100"]
    page.goto(f"{door.address}/jobs/")
    expect(page.locator("#not-kept")).to_be_visible()


def repaired_in_vain(page: Page, door: Door, job: Job) -> None:
    """As it was kept without the network."""
    page.goto(f"{door.address}/jobs/{job.pk}/")
    expect(page.locator("#not-cured")).to_contain_text("burnt contacts was put right and the complaint stayed")
    expect(page.locator("main")).to_contain_text("Fan commanded high: still silent.")
    repair = job.repairs.get()
    assert (repair.result.step, repair.correction) == (
        "contacts-drop", "Fit a new relay of the same rating and terminal plan.",
    )  # fmt: skip
    assert repair.part_lines.get().words == "Fan relay"
    booked = Job.objects.exclude(pk=job.pk).order_by("vehicle__registration")
    assert [each.vehicle.registration for each in booked] == ["SB 77 NEW", "SB 78 NEW"]


def another_cause(page: Page, clock: Clock) -> None:
    page.locator(".rows a", has_text="revision 1, held by Senior").click()
    page.get_by_role("link", name="Voltage across the contacts of the high-speed relay").click()
    read(page, "0.05")
    answer(page, "The contacts lose little")
    title(page, "Feed: high resistance or open circuit")
    page.get_by_role("link", name="Record the repair").click()
    page.get_by_label("Anything else that was done").fill("Renewed the corroded joint in the feed behind the headlamp.")
    page.get_by_role("button", name="Save the repair, then verify").click()
    page.get_by_label("cured: it is gone", exact=True).check()
    page.get_by_label("Anything else that was checked").fill("Idled until the fan had come on twice.")
    page.get_by_role("button", name="Save").click()
    for box in page.locator("input[name=back]").all():
        box.check()
    page.get_by_role("button", name="Close the job").click()


def done_online(procedure: Procedure, junior: User, senior: User) -> Run:
    """The same answers by the same people, the network there all the time."""
    job = take_in(junior, complaint="It ran hot.", at=timezone.now())
    run = following.start_run(job, procedure, by=junior, at=timezone.now(), client_id=uuid.uuid4())
    kit = Meter.objects.get(key="roadside-kit")

    def give(by: User, *what: str, **more: object) -> None:
        following.record(run, say(run, *what, **more), by=by, at=timezone.now())

    def tell(by: User, key: str, typed: str) -> None:
        following.record_value(run, key, typed, by=by, at=timezone.now(), client_id=uuid.uuid4())

    tell(junior, "cap_pressure", "1.1")
    give(junior, "arrival", "fits")
    give(junior, "level", "right")
    give(junior, "pressure", "holds", "1.01", meter=kit)
    give(junior, "both-speeds", "clicks")
    give(junior, "fuse-drop", "whole", "0.6", meter=kit, override_why="Tip slipped off the test point.")
    run.holder = senior
    run.save(update_fields=["holder"])
    following.record(run, say(run, "box-feed", skipped="no-access", onward="none"), by=senior, at=timezone.now())
    following.record(run, say(run, "mated", skipped="no-access", onward="good"), by=senior, at=timezone.now())
    give(senior, "plug-look", "clean")
    tell(senior, "fan_power", "240")
    give(senior, "motor-alone", "right", "17.2")
    tell(senior, "feed_wire", "4")
    give(senior, "supply", "weak", "4.6")
    give(senior, "contacts-drop", "bad", "4100", unit="mV")
    give(senior, "contacts-drop", "good", "0.05")
    return run
