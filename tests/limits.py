"""How long the next visitor waits while somebody asks too much of the server: ``python -m tests.limits``.

A shop of its own with a real server on this computer (as in :mod:`tests.faults`), asked from outside. Each line of the
table: what is done meanwhile, how often a page was asked for then, and how long the answers took. With ``--keep NAME``
the table is put into ``tests/limits.md`` under that name.
"""

from __future__ import annotations

import argparse
import io
import secrets
import socket
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlencode

from PIL import Image

from tests.faults.shop import TOKEN, Shop

LONGEST = 2.0
"""Seconds that the next visitor may wait."""
WATCHED = 10.0
"""Seconds that each is kept up, or until it has ended."""
PAPER = Path(__file__).parent / "limits.md"
Attack = Callable[[Shop, threading.Event], None]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keep", metavar="NAME", help="Put the table into tests/limits.md under this name.")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="shopkb-limits-") as folder:
        shop = Shop(Path(folder))
        shop.manage("load_catalog", "fixtures/starter", "--by", "senior", "--why", "The shipped ones.")
        shop.manage("import_flows", "flows", "--author", "senior", "--reviewer", "second")
        shop.start()
        try:
            rows = [(name, *watched(shop, attack)) for name, attack in ATTACKS.items()]
        finally:
            shop.kill()
    lines = ["| meanwhile | asked | median, s | longest, s |", "| --- | ---: | ---: | ---: |"]
    lines += [f"| {name} | {len(waits)} | {median:.2f} | {max(waits):.2f} |" for name, waits, median in rows]
    sys.stdout.write("\n".join(lines) + "\n")
    if options.keep:
        with PAPER.open("a", encoding="utf-8") as file:
            file.write(f"\n## {options.keep}\n\n" + "\n".join(lines) + "\n")
    slow = [name for name, waits, _median in rows if max(waits) > LONGEST]
    if slow:
        sys.stderr.write(f"Longer than {LONGEST:g} s: {'; '.join(slow)}.\n")
    return 1 if slow else 0


def watched(shop: Shop, attack: Attack, seconds: float = WATCHED) -> tuple[list[float], float]:
    """Seconds that each answer took meanwhile, and their median: by turns the page for signing in, what a monitor asks,
    and a booking in by somebody who is at work."""
    over = threading.Event()
    attacker = threading.Thread(target=lambda: _until_over(shop, attack, over))
    attacker.start()
    time.sleep(0.5)
    waits = []
    until = time.monotonic() + seconds
    while time.monotonic() < until and (attacker.is_alive() or len(waits) < 5):
        began = time.monotonic()
        visit = len(waits) % 3
        if visit == 2:
            assert shop.intake(1, str(uuid.uuid4()), f"SB {secrets.token_hex(5).upper()}").status == 302
        else:
            assert _get(shop, ("/sign-in/", "/health/")[visit]) == 200
        waits.append(time.monotonic() - began)
        time.sleep(0.1)
    over.set()
    attacker.join(120)
    return waits, sorted(waits)[len(waits) // 2]


def _until_over(shop: Shop, attack: Attack, over: threading.Event) -> None:
    try:
        attack(shop, over)
    except OSError as error:
        sys.stderr.write(f"The other side ended: {error}.\n")


def nothing(_shop: Shop, over: threading.Event) -> None:
    over.wait(3)


def half_open(shop: Shop, over: threading.Event) -> None:
    """215 connections that begin a request and never end it."""
    held = [_begun(shop, b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n") for _ in range(215)]
    over.wait()
    for one in held:
        one.close()


def slow_bodies(shop: Shop, over: threading.Event) -> None:
    """50 forms whose bodies come a byte at a time."""
    head = b"POST /sign-in/ HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100000\r\n\r\n"
    held = [_begun(shop, head) for _ in range(50)]
    while not over.wait(0.2):
        for one in held:
            one.send(b"a")
    for one in held:
        one.close()


def sign_ins(shop: Shop, over: threading.Event) -> None:
    """16 people at once who sign in under names that nobody has, again and again."""

    def one(number: int) -> None:
        while not over.is_set():
            name = f"nobody-{number}-{secrets.token_hex(4)}"
            body = urlencode({"username": name, "password": "x" * 12, "csrfmiddlewaretoken": TOKEN})
            _post(shop, "/sign-in/", body.encode(), "application/x-www-form-urlencoded", f"csrftoken={TOKEN}")

    with ThreadPoolExecutor(16) as people:
        list(people.map(one, range(16)))


def pictures(shop: Shop, over: threading.Event) -> None:
    """8 large pictures at once, again and again."""
    made = shop.intake(0, "3f7d5c52-0a39-4f8e-9d0e-0d6c6f6f0001", "SB 0001")
    file = io.BytesIO()
    Image.effect_noise((4000, 3000), 60).convert("RGB").save(file, "JPEG", quality=80)

    def one(_number: int) -> None:
        while not over.is_set():
            shop.post_photo(f"{made.location}photos/new/", 0, file.getvalue())

    with ThreadPoolExecutor(8) as people:
        list(people.map(one, range(8)))


def paper_forms(shop: Shop, over: threading.Event) -> None:
    """One technician asks for 20 paper forms at once, again and again."""

    def one(_number: int) -> None:
        while not over.is_set():
            shop.get("/procedures/overheats-fan-silent/1/paper/", person=0)

    with ThreadPoolExecutor(20) as people:
        list(people.map(one, range(20)))


ATTACKS: dict[str, Attack] = {
    "nothing": nothing,
    "215 half-open connections": half_open,
    "50 bodies, a byte at a time": slow_bodies,
    "16 sign-ins at once under unknown names": sign_ins,
    "8 pictures of 12 megapixels at once": pictures,
    "20 paper forms at once by one technician": paper_forms,
}


def _begun(shop: Shop, text: bytes) -> socket.socket:
    connection = socket.create_connection(("127.0.0.1", shop.port), timeout=30)
    connection.send(text)
    return connection


def _get(shop: Shop, path: str) -> int:
    connection = HTTPConnection("127.0.0.1", shop.port, timeout=120)
    try:
        connection.request("GET", path)
        answer = connection.getresponse()
        answer.read()
        return answer.status
    finally:
        connection.close()


def _post(shop: Shop, path: str, body: bytes, kind: str, cookie: str) -> int:
    connection = HTTPConnection("127.0.0.1", shop.port, timeout=120)
    try:
        connection.request("POST", path, body, {"Content-Type": kind, "Cookie": cookie})
        answer = connection.getresponse()
        answer.read()
        return answer.status
    finally:
        connection.close()


if __name__ == "__main__":
    raise SystemExit(main())
