"""The network cut and the server gone: what people without it see, and waits for what the device has to do first."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import Browser, Page, expect

from shopkb.jobs.models import Run
from tests.door import Door, door_before

from .conftest import Visits
from .test_junior import answer, title

if TYPE_CHECKING:
    from pytest_django.live_server_helper import LiveServer

AWAY = "net::ERR_"
KEPT = """run => caches.open('run-' + run).then(async cache => {
  const stands = await cache.match(`/jobs/runs/${run}/`);
  return [...(await cache.keys()).map(request => new URL(request.url).pathname),
    stands ? (await stands.text()).match(/data-step="([a-z-]+)"/)?.[1] : ''];
})"""


@pytest.fixture
def door(live_server: LiveServer) -> Iterator[Door]:
    """The way to the server; shut, the server is gone."""
    with door_before(live_server.thread.port) as door:
        yield door


@pytest.fixture
def visits(browser: Browser, door: Door, pictures: Path) -> Iterator[Visits]:
    expect.set_options(timeout=30_000)
    visits = Visits(browser, door.address, pictures)
    yield visits
    visits.forgiven(AWAY)
    visits.settle()


def gone(page: Page, door: Door) -> None:
    """No Wi-Fi, and no server either."""
    page.context.set_offline(True)
    door.shut()


def back(page: Page, door: Door) -> None:
    door.open()
    page.context.set_offline(False)


def kept(page: Page, run: Run, *steps: str) -> None:
    """Wait until the device holds these steps, and stands at the first of them."""
    wanted = {f"/jobs/runs/{run.pk}/pack/{step}/" for step in steps} | {
        steps[0], "/jobs/outbox/", "/jobs/new/", "/jobs/known-vehicles/", "/jobs/begin/",
        f"/jobs/runs/{run.pk}/pack-verify/", f"/jobs/runs/{run.pk}/pack-finding/",
    }  # fmt: skip
    for _ in range(300):
        if wanted <= set(page.evaluate(KEPT, run.pk)):
            return
        page.wait_for_timeout(100)
    pytest.fail(f"not kept: {wanted - set(page.evaluate(KEPT, run.pk))}, but {page.evaluate(KEPT, run.pk)}")


def arrives(page: Page, words: str) -> None:
    """The kept page with this title."""
    title(page, words)


def unsent(page: Page, words: str) -> None:
    """What stands in the line above every page, and can be seen."""
    mark = page.locator("#unsent")
    expect(mark).to_have_text(words)
    assert mark.evaluate("element => element.checkVisibility({opacityProperty: true})")


def value(page: Page, label: str, typed: str) -> None:
    form = page.locator("form[data-value]", has_text=label)
    form.get_by_label(re.compile(label)).fill(typed)
    form.get_by_role("button", name="Save").click()
    expect(page.get_by_text(re.compile(f"^Kept: {label}"))).to_be_visible()


def reading(page: Page, typed: str, words: str) -> None:
    """Type a reading on a kept page and answer."""
    page.get_by_role("textbox", name="Reading", exact=True).fill(typed)
    answer(page, words)
