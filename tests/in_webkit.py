"""A stretch without the server in a browser that has no background sync: ``python -m pytest tests/in_webkit.py``.

The engine of Safari, in its GTK build, driven by the W3C WebDriver protocol. Apart from the other tests, since it needs
Debian's packages webkit2gtk-driver and xvfb.
"""

from __future__ import annotations

import json
import os
import subprocess
import time
import urllib.error
import urllib.request
import uuid
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from tests.faults.conftest import first_shop, shop
from tests.faults.shop import Acknowledged, Shop, free_port

__all__ = ["first_shop", "shop"]

PATIENCE = 60.0


class WebKit:
    """One window. ``run`` and ``wait_for`` take the body of a JavaScript function."""

    def __init__(self, port: int) -> None:
        self.door = f"http://127.0.0.1:{port}/session"
        browser = str(next(Path("/usr/lib").glob("*/webkit2gtk-4*/MiniBrowser")))
        wanted = {"webkitgtk:browserOptions": {"binary": browser, "args": ["--automation"]}}
        until = time.monotonic() + PATIENCE
        while True:
            with suppress(urllib.error.URLError):
                self.door += "/" + self._ask("", {"capabilities": {"alwaysMatch": wanted}})["sessionId"]
                return
            assert time.monotonic() < until, "WebKit did not start."
            time.sleep(0.2)

    def _ask(self, path: str, body: dict[str, Any], method: str = "POST") -> Any:
        head = {"Content-Type": "application/json"}
        asked = urllib.request.Request(self.door + path, json.dumps(body).encode(), head, method=method)
        try:
            with urllib.request.urlopen(asked, timeout=PATIENCE) as reply:
                return json.load(reply)["value"]
        except urllib.error.HTTPError as error:
            raise AssertionError(f"{path} {body}: {error.read().decode()[:600]}") from None

    def go(self, address: str) -> None:
        self._ask("/url", {"url": address})

    def sign_in(self, address: str, key: str) -> None:
        self.go(f"{address}/health/")
        self._ask("/cookie", {"cookie": {"name": "sessionid", "value": key, "path": "/"}})

    def run(self, body: str) -> Any:
        return self._ask("/execute/sync", {"script": body, "args": []})

    def wait_for(self, body: str) -> Any:
        """The first answer that is not empty; ``await`` may stand in the body."""
        script = f"const done = arguments[0]; (async () => {{ {body} }})().then(done, () => done(null));"
        until = time.monotonic() + PATIENCE
        while not (found := self._ask("/execute/async", {"script": script, "args": []})):
            assert time.monotonic() < until, body
            time.sleep(0.2)
        return found


@pytest.fixture
def webkit() -> Iterator[WebKit]:
    port, screen = free_port(), f":{free_port() % 1000 + 100}"
    display = subprocess.Popen(["Xvfb", screen, "-screen", "0", "900x1200x24"], stderr=subprocess.DEVNULL)
    place = {**os.environ, "DISPLAY": screen, "WEBKIT_DISABLE_SANDBOX_THIS_IS_DANGEROUS": "1"}
    driver = subprocess.Popen(["WebKitWebDriver", f"--port={port}"], env=place)
    try:
        window = WebKit(port)
        yield window
        window._ask("", {}, "DELETE")
    finally:
        for program in (driver, display):
            program.terminate()
            program.wait()


def test_answers_wait_for_the_server_without_background_sync(shop: Shop, webkit: WebKit) -> None:
    shop.start()
    address, ids = f"http://127.0.0.1:{shop.port}", [str(uuid.uuid4()) for _ in range(2)]
    job = shop.intake(0, ids[0], "SB 0003").location
    run = shop.post(f"{job}start/horn-silent/", 0, client_id=ids[1]).location
    webkit.sign_in(address, shop.sessions[0])
    webkit.go(address + run)
    assert webkit.run("return !('SyncManager' in window) && 'serviceWorker' in navigator")
    number = run.strip("/").rpartition("/")[2]
    webkit.wait_for(
        f"return await caches.has('run-{number}') && navigator.serviceWorker.controller"
        f" && (await (await caches.open('run-{number}')).keys()).some(one => one.url.endsWith('/runs/{number}/'))"
    )
    shop.kill()
    webkit.go(address + run)
    assert "This step was kept on the device" in webkit.run("return document.body.innerText")
    webkit.run("document.querySelector('button.answer').click()")
    webkit.wait_for("return document.getElementById('unsent').innerText === '1 not sent'")
    shop.start()
    webkit.wait_for("return document.getElementById('unsent').innerText === 'all sent'")
    shop.kill()
    stored = "import django; django.setup(); from shopkb.jobs.models import Result; print(Result.objects.get().step)"
    assert shop.python(stored).strip() == "press"
    found = shop.found(Acknowledged(job=ids[:1], run=ids[1:]))
    assert list(found["job"].values()) == list(found["run"].values()) == [1]
    assert shop.broken() == []
