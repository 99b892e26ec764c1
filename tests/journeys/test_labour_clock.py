"""The clock of a repair alone in a browser, whose own clock the test moves."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

import shopkb

pytestmark = [pytest.mark.journey, pytest.mark.device]

SCRIPT = Path(shopkb.__file__).with_name("jobs") / "static" / "jobs" / "labour.js"
PAGE = """<form action="#saved"><input id="minutes" name="minutes">
<div hidden data-labour="minutes" data-job="7"><button type="button"></button><output></output></div>
<button class="primary" type="submit">Save</button></form>"""


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(timezone_id="Europe/London")
    page = context.new_page()
    page.clock.install(time=datetime(2026, 11, 30, 16, 10, tzinfo=UTC))
    page.route("**/*", lambda route: route.fulfill(content_type="text/html", body=PAGE))
    opened(page)
    yield page
    context.close()


def opened(page: Page) -> None:
    page.goto("http://device.test/")
    page.add_script_tag(content=SCRIPT.read_text(encoding="utf-8"))


def test_what_was_worked_is_counted_while_the_page_is_left(page: Page) -> None:
    page.get_by_role("button", name="Start the clock").click()
    page.clock.fast_forward(40 * 60 * 1000)
    opened(page)
    page.get_by_role("button", name="Pause the clock").click()
    expect(page.locator("#minutes")).to_have_value("40")


def test_a_clock_left_running_over_night_is_no_work(page: Page) -> None:
    """Twenty minutes are counted, the night is not, and the page says why."""
    page.get_by_role("button", name="Start the clock").click()
    page.clock.fast_forward(20 * 60 * 1000)
    page.get_by_role("button", name="Pause the clock").click()
    page.get_by_role("button", name="Go on with the clock").click()
    page.clock.fast_forward(14 * 3600 * 1000)
    opened(page)
    expect(page.locator("output")).to_contain_text("was left running, so that is not counted. Type the minutes")
    expect(page.locator("#minutes")).to_have_value("20")
    page.get_by_role("button", name="Save").click()
    page.wait_for_url("**minutes=20**")
