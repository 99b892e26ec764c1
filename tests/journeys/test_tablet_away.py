"""A shared tablet that was left lying stays locked without its network, and what is typed then is nobody's."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from shopkb.accounts.models import User
from shopkb.accounts.pins import set_pin
from shopkb.jobs.models import Run
from shopkb.procedures.models import Procedure
from tests.door import Door

from .away import back, door, gone, kept, visits
from .conftest import TABLET, Visits
from .scenes import COMPLAINT, FAN, TO_CLICKS, fan_job
from .test_every_page import AXE, looked_at
from .test_junior import title

__all__ = ["door", "visits"]

pytestmark = [pytest.mark.journey, pytest.mark.device, pytest.mark.django_db(transaction=True)]

LEFT_LYING = """async minutes => {
  const at = Date.now() - minutes * 60000;
  localStorage.setItem('touched', String(at));
  const cache = await caches.open('who');
  const before = await (await cache.match('/lock')).json();
  await cache.put('/lock', new Response(JSON.stringify({...before, at})));
}"""
KNOWN = "caches.open('who').then(cache => cache.match('/lock')).then(found => Boolean(found))"
HEADING = "Locked because nobody was using it"


@pytest.fixture
def run(shelf: dict[str, Procedure], junior: User) -> Run:
    set_pin(junior, "472913")
    return fan_job(junior, shelf[FAN], TO_CLICKS)


@pytest.fixture
def page(visits: Visits, run: Run) -> Page:
    """The tablet at the run's next step, shared, its pages kept."""
    page = visits.open(TABLET, path="/sign-in/")
    page.get_by_label("Username").fill("junior")
    page.get_by_label("Password").fill("junior-knows-it")
    page.get_by_text("Several people use this tablet").click()
    page.get_by_role("button", name="Sign in").click()
    page.goto(f"{visits.address}/jobs/runs/{run.pk}/")
    title(page, "Voltage across the fan fuse")
    kept(page, run, "fuse-drop", "box-feed")
    page.wait_for_function(KNOWN)
    return page


def unlock(page: Page) -> None:
    page.get_by_role("link", name="Unlock with a PIN").click()
    page.get_by_text("Junior", exact=True).click()
    page.get_by_label("PIN").fill("472913")
    page.get_by_role("button", name="Go on").click()


def test_a_locked_tablet_without_network_shows_nothing_and_takes_notes_for_nobody(
    visits: Visits, door: Door, page: Page, run: Run
) -> None:
    gone(page, door)
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")
    title(page, "Voltage across the fan fuse")
    page.evaluate(LEFT_LYING, 16)
    for address in (f"/jobs/runs/{run.pk}/", f"/jobs/runs/{run.pk}/steps/box-feed/", "/jobs/outbox/", "/switch/"):
        page.goto(door.address + address)
        expect(page.get_by_role("heading", name=HEADING)).to_be_visible()
        text = page.locator("body").inner_text()
        assert run.job.vehicle.registration not in text
        assert COMPLAINT not in text
        assert page.locator("[data-outcome]").count() == 0
    page.evaluate(AXE)
    assert looked_at(page, "locked-away", True) == []
    page.set_viewport_size({"width": TABLET.width, "height": TABLET.height})
    visits.shot(page, "locked-away")
    page.get_by_label("What you found").fill("The fuse reads 0.02 V.")
    page.get_by_role("button", name="Keep it on this device").click()
    expect(page.get_by_role("status")).to_contain_text("Kept. It stands under")
    back(page, door)
    page.context.clear_cookies(name="touched")
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")
    page.get_by_text("Junior", exact=True).click()
    page.get_by_label("PIN").fill("472913")
    page.get_by_role("button", name="Go on").click()
    title(page, "Voltage across the fan fuse")
    page.goto(f"{door.address}/jobs/outbox/")
    line = page.locator("#outbox-list li")
    expect(line).to_contain_text("The fuse reads 0.02 V.")
    expect(line).to_contain_text("given while this tablet was locked")
    expect(page.get_by_role("button", name="It was me: send it")).to_have_count(0)
    assert run.results.count() == len(TO_CLICKS)


def test_a_page_left_open_is_covered_and_keeps_what_was_typed(door: Door, page: Page, run: Run) -> None:
    page.get_by_role("textbox", name="Reading", exact=True).fill("0.017")
    page.evaluate(LEFT_LYING, 16)
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(page.get_by_role("heading", name=HEADING)).to_be_visible()
    expect(page.get_by_role("heading", name="Voltage across the fan fuse")).to_be_hidden()
    page.context.clear_cookies(name="touched")
    unlock(page)
    title(page, "Voltage across the fan fuse")
    expect(page.get_by_role("textbox", name="Reading", exact=True)).to_have_value("0.017")


def test_what_is_given_while_it_is_locked_waits_for_somebody_to_say_it_was_theirs(
    door: Door, page: Page, run: Run
) -> None:
    gone(page, door)
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")
    page.get_by_role("textbox", name="Reading", exact=True).fill("0.02")
    page.evaluate("localStorage.setItem('touched', String(Date.now() - 16 * 60000))")
    page.evaluate("document.querySelector('[data-outcome=whole]').click()")
    title(page, "Fan current, fed at the relay socket")
    back(page, door)
    page.goto(f"{door.address}/jobs/outbox/")
    line = page.locator("#outbox-list li")
    expect(line).to_contain_text("given while this tablet was locked")
    page.wait_for_timeout(500)
    assert run.results.count() == len(TO_CLICKS)
    page.get_by_role("button", name="It was me: send it").click()
    expect(page.locator("#outbox-empty")).to_be_visible()
    last = run.results.latest("pk")
    assert (last.step, last.outcome, last.note) == ("fuse-drop", "whole", "Given while the tablet was locked.")


def test_a_clock_set_back_opens_nothing(door: Door, page: Page, run: Run) -> None:
    gone(page, door)
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")
    page.evaluate(LEFT_LYING, -120)
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")
    expect(page.get_by_role("heading", name=HEADING)).to_be_visible()
    page.evaluate(LEFT_LYING, 0)
    page.goto(f"{door.address}/jobs/runs/{run.pk}/")
    expect(page.get_by_role("heading", name=HEADING)).to_be_visible()
