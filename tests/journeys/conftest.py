"""People at real pages: a served shop, a browser at three sizes, and an ear for every complaint of the browser."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Error, Page, Request, expect, sync_playwright

from tests import chromium
from tests.conftest import FLOWS, stocked

if TYPE_CHECKING:
    from pytest_django.live_server_helper import LiveServer

    from shopkb.accounts.models import User
    from shopkb.procedures.models import Procedure

Scheme = Literal["light", "dark"]
BLOCKED_ON_PURPOSE = "Service Worker registration blocked by Playwright"
REFUSED = "Failed to load resource: the server responded with a status of 422"


@dataclass(frozen=True, slots=True)
class Screen:
    """What a page is looked at on, in CSS pixels."""

    name: str
    width: int
    height: int
    touch: bool


PHONE = Screen("phone", 390, 844, True)
TABLET = Screen("tablet", 820, 1180, True)
OFFICE = Screen("office", 1440, 900, False)
SCREENS = (PHONE, TABLET, OFFICE)


CUT_OFF = re.compile("htmx:(sendError|sendAbort|afterRequest), ")
"""A part of a page that was on its way when somebody went on. A part that fails is told by its status too."""


class Visits:
    """Pages opened by people, and everything the browser said about them."""

    def __init__(self, browser: Browser, address: str, folder: Path) -> None:
        self.browser, self.address, self.folder = browser, address, folder
        self.complaints: list[str] = []
        self.strangers: list[str] = []
        self.kept = bool(os.environ.get("SHOPKB_SCREENSHOTS"))
        self.refusals = 0

    def open(
        self,
        screen: Screen,
        who: User | None = None,
        scheme: Scheme = "light",
        path: str = "/",
        service_workers: Literal["allow", "block"] = "allow",
    ) -> Page:
        """A page of a fresh browser at ``path``; ``who`` is signed in already.

        Requests of a page can be held by ``page.route`` only where ``service_workers`` are blocked.
        """
        context = self.browser.new_context(
            viewport={"width": screen.width, "height": screen.height},
            has_touch=screen.touch,
            color_scheme=scheme,
            locale="en-GB",
            timezone_id="Europe/London",
            service_workers=service_workers,
        )
        if who is not None:
            context.add_cookies([{"name": "sessionid", "value": session_of(who), "url": self.address}])
        context.on("request", self._asked)
        page = context.new_page()
        page.set_default_timeout(30_000)
        page.on("console", self._said)
        page.on("pageerror", lambda error: self.complaints.append(f"{page.url}: {error}"))
        page.goto(self.address + path)
        return page

    def shot(self, page: Page, name: str) -> None:
        """A picture of the whole page, for the eye; where none are kept (``SHOPKB_SCREENSHOTS``), nobody looks."""
        if self.kept:
            page.screenshot(path=self.folder / f"{name}.png", full_page=True)

    def refused(self, times: int = 1) -> None:
        """So many forms were refused on purpose; the browser logs each."""
        self.refusals += times

    def forgiven(self, words: str) -> None:
        """What the browser logged with these words was brought about on purpose."""
        self.complaints = [line for line in self.complaints if words not in line]

    def settle(self) -> None:
        """Close everything. The browser must have had nothing to complain of, and asked no other host."""
        for context in list(self.browser.contexts):
            for page in context.pages:
                with suppress(Error, AssertionError):  # a part of a page cut off on its way is logged as an error
                    expect(page.locator(".htmx-request")).to_have_count(0)
            context.close()
        refusals = [line for line in self.complaints if REFUSED in line]
        assert [line for line in self.complaints if REFUSED not in line and not CUT_OFF.search(line)] == []
        assert len(refusals) == self.refusals
        assert self.strangers == []

    def _said(self, message: ConsoleMessage) -> None:
        if message.text == BLOCKED_ON_PURPOSE:
            return
        self.complaints.append(f"{message.location.get('url', '')}: {message.text}")

    def _asked(self, request: Request) -> None:
        if not request.url.startswith((self.address, "data:", "blob:")):
            self.strangers.append(request.url)


def session_of(who: User) -> str:
    """A session of this person, as the sign-in page makes it."""
    from django.test import Client

    client = Client()
    client.force_login(who)
    return client.cookies["sessionid"].value


@pytest.fixture
def shelf(catalog: None, senior: User, second: User) -> dict[str, Procedure]:
    """The procedures these people meet, with the methods that they hand over to, in force, by key."""
    met = ("overheats-fan-silent", "blower-only-top-speed", "starter-does-not-turn")
    keys = (
        *met,
        "relay-and-control",
        "voltage-drop-method",
        "high-voltage-vehicle",
        "hot-though-fan-runs",
        "coolant-temperature-wrong",
        "coolant-in-oil",
        "fan-with-own-unit",
        "starter-weak-or-slips",
    )
    return stocked("journeys", [FLOWS / f"{key}.yaml" for key in keys], senior, second)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium.path(), args=chromium.FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def pictures() -> Iterator[Path]:
    """Where pictures go: ``SHOPKB_SCREENSHOTS`` keeps them."""
    kept = os.environ.get("SHOPKB_SCREENSHOTS")
    if kept:
        Path(kept).mkdir(parents=True, exist_ok=True)
        yield Path(kept)
        return
    with tempfile.TemporaryDirectory(prefix="shopkb-pictures-") as folder:
        yield Path(folder)


@pytest.fixture
def visits(browser: Browser, live_server: LiveServer, pictures: Path) -> Iterator[Visits]:
    expect.set_options(timeout=30_000)
    visits = Visits(browser, live_server.url, pictures)
    yield visits
    visits.settle()
