"""The README's pictures, taken of the demo world: ``python -m tests.pictures``.

Makes a demo world of its own, serves it, and photographs a chart with its evidence and a step at the vehicle.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from tests import chromium
from tests.conftest import ROOT

PICTURES = ROOT / "fixtures" / "pictures"
FAN = "overheats-fan-silent"
OFFICE, TABLET = {"width": 1280, "height": 1000}, {"width": 820, "height": 2200}


@contextmanager
def demo_world() -> Iterator[tuple[str, str]]:
    """Address and password of a demo world that lives as long as the block, as its command prints them."""
    with tempfile.TemporaryDirectory(prefix="shopkb-pictures-") as folder:
        place = {**os.environ, "SHOPKB_DATA_DIR": folder, "PYTHONUNBUFFERED": "1"}
        command = [sys.executable, "manage.py", "demo"]
        with subprocess.Popen(command, cwd=ROOT, env=place, stdout=subprocess.PIPE, text=True) as server:
            assert server.stdout is not None
            password = ""
            try:
                for line in server.stdout:
                    if found := re.search(r"the password (\S+):", line):
                        password = found[1]
                    if found := re.search(r"http://[\w.:]+", line):
                        yield found[0], password
                        return
                raise RuntimeError("the demo ended without an address")
            finally:
                server.terminate()


def signed_in(browser: Browser, world: tuple[str, str], name: str, size: dict[str, int]) -> Page:
    page = browser.new_context(viewport=size, locale="en-GB").new_page()  # type: ignore[arg-type]
    address, password = world
    page.goto(f"{address}/sign-in/")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(password)
    with page.expect_navigation():
        page.keyboard.press("Enter")
    return page


def main() -> int:
    PICTURES.mkdir(exist_ok=True)
    with demo_world() as world, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium.path(), args=chromium.FLAGS)
        chart(signed_in(browser, world, "barnaby", OFFICE), world[0], PICTURES / "chart.png")
        step(signed_in(browser, world, "cuthbert", TABLET), PICTURES / "step.png")
        browser.close()
    return 0


def chart(page: Page, address: str, to: Path) -> None:
    page.goto(f"{address}/procedures/{FAN}/")
    page.locator(".chart svg").first.scroll_into_view_if_needed()
    page.locator(".chart").first.screenshot(path=to)


def step(page: Page, to: Path) -> None:
    """The step this person is in the middle of, with a reading judged."""
    page.locator("main a", has_text="Engine overheats").first.click()
    while (asked := page.locator("form[data-value]")).count():
        form = asked.first
        form.locator("input[name=typed]").fill("240" if form.get_attribute("data-value") == "fan_power" else "4")
        with page.expect_navigation():
            page.keyboard.press("Enter")
    page.locator("#typed").fill("0.2")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    page.evaluate("scrollTo(0, 0)")
    page.screenshot(path=to)


if __name__ == "__main__":
    raise SystemExit(main())
