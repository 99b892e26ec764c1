"""A vehicle booked in and a procedure begun, followed to its end, repaired and checked with no network at all."""

from __future__ import annotations

import re

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from shopkb.accounts.models import User
from shopkb.catalog.models import Platform, Symptom
from shopkb.jobs.models import Repair, Run, Verification
from shopkb.procedures.models import Procedure
from shopkb.upkeep.invariants import broken_invariants
from tests.builders import take_in
from tests.door import Door

from .away import arrives, back, door, gone, kept, reading, unsent, value, visits
from .conftest import PHONE, TABLET, Screen, Visits
from .scenes import FAN, TO_CLICKS, fan_job
from .test_junior import answer, title

__all__ = ["door", "visits"]

pytestmark = [pytest.mark.journey, pytest.mark.device, pytest.mark.django_db(transaction=True)]

HELD = """address => caches.open('run-office').then(cache => cache.match(address)).then(Boolean)"""


def travels(page: Page, *addresses: str) -> None:
    """Wait until the device holds these pages of the office."""
    for address in addresses:
        for _ in range(300):
            if page.evaluate(HELD, address):
                break
            page.wait_for_timeout(100)
        else:
            pytest.fail(f"not kept: {address}")


@pytest.mark.parametrize("screen", [PHONE, TABLET], ids=lambda screen: screen.name)
def test_a_job_without_any_network_is_the_same_job(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User, screen: Screen
) -> None:
    page = visits.open(screen, junior, path="/jobs/new/")
    travels(page, "/jobs/begin/", f"/jobs/packs/{FAN}/1/", "/jobs/known-vehicles/")
    gone(page, door)
    booked_in(page, screen, visits)
    followed(page, screen, visits)
    repaired(page, screen, visits)
    back(page, door)
    page.goto(f"{door.address}/jobs/outbox/")
    page.get_by_role("button", name="Send now").click()
    unsent(page, "all sent")
    run = Run.objects.get()
    assert list(run.results.values_list("step", "outcome", "typed")) == [
        ("arrival", "fits", ""), ("level", "right", ""), ("pressure", "holds", "1.05"), ("both-speeds", "clicks", ""),
        ("fuse-drop", "blown", "12.4"), ("why-fuse", "right", "17.2"),
    ]  # fmt: skip
    assert run.job.vehicle.registration == "SB 41 AWAY"
    assert Repair.objects.get().result == run.results.last()
    assert Verification.objects.get().cured == Verification.Cured.YES
    assert broken_invariants() == []
    visits.forgiven("htmx:")


def booked_in(page: Page, screen: Screen, visits: Visits) -> None:
    page.get_by_label("Registration").fill("sb 41 away")
    page.get_by_label("Vehicle", exact=True).select_option(str(Platform.objects.get(path="curlew/dunlin/mk2/rush4").pk))
    page.get_by_label("Complaint, in the customer's words").fill("Ran hot in the queue.")
    page.get_by_label("Symptom").select_option(str(Symptom.objects.get(key="engine-overheats").pk))
    page.get_by_role("button", name="Open the job").click()
    title(page, "Begin a procedure")
    first = page.locator("#begin li").first
    expect(first).to_contain_text("for the symptom that was chosen")
    visits.shot(page, f"begun-list-{screen.name}")
    page.locator("#begin li", has_text="radiator fan does not run").get_by_role("button").click()


def followed(page: Page, screen: Screen, visits: Visits) -> None:
    page.wait_for_url(re.compile(r"/jobs/begun/[0-9a-f-]{36}/.*/steps/arrival/$"))
    expect(page.locator("#begun-about")).to_have_text("sb 41 away")
    visits.shot(page, f"begun-step-{screen.name}")
    answer(page, "Customer or codes say it ran hot")
    answer(page, "Level right")
    limits_are_filled_in(page, screen, visits)
    answer(page, "Fan silent, the high-speed relay clicks")
    arrives(page, "Voltage across the fan fuse")
    page.get_by_role("textbox", name="Reading", exact=True).fill("12.4")
    page.locator(".answer", has_text=re.compile(r"^\s*2\s+Voltage across")).click()
    page.wait_for_url(re.compile("/steps/why-fuse/$"))
    for ask in page.locator("[data-confirm]").all():
        ask.click()
    value(page, "Power on the fan rating plate", "240")
    reading(page, "17.2", "Current right")
    page.wait_for_url(re.compile("/pack-end/$"))


def limits_are_filled_in(page: Page, screen: Screen, visits: Visits) -> None:
    """The formula becomes a figure with its value; what cannot be is refused; what is far is asked about."""
    page.wait_for_url(re.compile("/steps/pressure/$"))
    holds = page.locator(".answer", has_text="Pressure holds")
    expect(holds).to_contain_text("cap pressure")
    form = page.locator("form[data-value]")
    form.get_by_label(re.compile("Opening pressure")).fill("900 bar")
    form.get_by_role("button", name="Save").click()
    expect(page.locator("#pack-told")).to_contain_text("more than can be true here")
    form.get_by_label(re.compile("Opening pressure")).fill("one")
    form.get_by_role("button", name="Save").click()
    expect(page.locator("#pack-told")).to_contain_text("not a number")
    value(page, "Opening pressure printed on the cap", "1.1")
    expect(holds).not_to_contain_text("cap pressure")
    visits.shot(page, f"begun-limits-{screen.name}")
    box = page.get_by_role("textbox", name="Reading", exact=True)
    for typed, words in (
        ("-3", "That cannot be"),
        ("105", "Far from what can be expected"),
        ("1,234", "can be read as"),
    ):
        box.fill(typed)
        expect(page.locator("#verdict")).to_contain_text(words)
    box.fill("105 kPa")
    expect(page.locator("#verdict")).to_contain_text("Pressure holds")
    box.fill("1.05")
    answer(page, "Pressure holds")


def repaired(page: Page, screen: Screen, visits: Visits) -> None:
    expect(page.locator("main")).to_contain_text("To put it right")
    visits.shot(page, f"begun-end-{screen.name}")
    page.get_by_role("link", name="Record the repair").first.click()
    expect(page.locator("[name=cause]:checked")).to_have_count(1)
    expect(page.locator("[name=proof]:checked")).to_have_count(1)
    page.get_by_label("Anything else that was done").fill("New fuse, wire taped.")
    page.get_by_role("button", name="Keep the repair, then verify").click()
    title(page, "Is the complaint gone?")
    page.get_by_label("Anything else that was checked").fill("Idled until the fan had come on twice.")
    page.get_by_label("cured: it is gone").check()
    page.get_by_role("button", name="Keep it").click()
    title(page, "Not sent yet")


def test_a_procedure_chosen_on_the_page_of_a_job_is_begun_when_the_network_goes(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User
) -> None:
    job = take_in(junior, complaint="It ran hot in the queue at the ferry.", at=timezone.now())
    page = visits.open(PHONE, junior, path=f"/jobs/{job.pk}/")
    travels(page, f"/jobs/packs/{FAN}/1/")
    gone(page, door)
    page.locator("li.row", has_text="radiator fan does not run").get_by_role("button").click()
    arrives(page, "Read temperature and codes, ask the customer")
    answer(page, "Customer or codes say it ran hot")
    page.wait_for_url(re.compile("/steps/level/$"))
    back(page, door)
    page.evaluate("Outbox.send()")
    unsent(page, "all sent")
    page.get_by_role("link", name="Go on with the network").click()
    run = Run.objects.get()
    page.wait_for_url(re.compile(f"/jobs/runs/{run.pk}/"))
    assert (run.job, run.results.get().outcome) == (job, "fits")


def test_what_was_typed_stays_when_a_meter_is_chosen_and_when_the_network_goes(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User
) -> None:
    run = fan_job(junior, shelf[FAN], TO_CLICKS)
    page = visits.open(PHONE, junior, path=f"/jobs/runs/{run.pk}/")
    kept(page, run, "fuse-drop", "box-feed")
    box = page.get_by_role("textbox", name="Reading", exact=True)
    box.fill("20")
    page.get_by_label("Unit", exact=True).select_option("mV")
    page.locator("summary", has_text="Meter:").click()
    page.get_by_label("Meter for today").select_option("roadside-kit")
    page.get_by_role("button", name="Use it today").click()
    expect(page.locator(".shown output")).to_have_text("20 mV")
    expect(page.locator(".verdict")).to_contain_text("No voltage across the fuse")
    page.get_by_role("link", name="Change").click()
    kept(page, run, "fuse-drop", "box-feed")
    gone(page, door)
    box.fill("30")
    page.get_by_label("Unit", exact=True).select_option("mV")
    page.get_by_role("button", name="Check the reading").click()
    expect(page.locator("#pack-state")).to_contain_text("No network:")
    expect(box).to_have_value("30")
    expect(page.get_by_label("Unit", exact=True)).to_have_value("mV")
    expect(page.locator("#verdict")).to_contain_text("No voltage across the fuse")


def test_a_page_cut_off_half_way_gives_way_to_the_one_kept_on_the_device(
    visits: Visits, door: Door, shelf: dict[str, Procedure], junior: User
) -> None:
    run = fan_job(junior, shelf[FAN], TO_CLICKS)
    page = visits.open(PHONE, junior, path=f"/jobs/runs/{run.pk}/")
    kept(page, run, "fuse-drop", "box-feed")
    for arrived in (3_000, 6_000):
        door.torn_after = arrived
        page.goto(f"{door.address}/jobs/runs/{run.pk}/")
        expect(page.get_by_role("textbox", name="Reading", exact=True)).to_be_visible()
    door.torn_after = None
