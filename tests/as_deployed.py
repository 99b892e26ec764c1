"""The recipes for running a shop, tried with the programs that they are for: ``python -m pytest tests/as_deployed.py``.

Apart from the other tests, since it needs nginx, openssl and systemd's own checker; `.ci/run` installs them.
"""

from __future__ import annotations

import http.client
import re
import socket
import ssl
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from http.cookies import SimpleCookie
from pathlib import Path
from urllib.parse import urlencode

import pytest

from tests.conftest import ROOT
from tests.faults.conftest import figure, first_shop, shop
from tests.faults.shop import Shop, free_port

__all__ = ["figure", "first_shop", "shop"]

RECIPES = ROOT / "shopkb" / "upkeep" / "recipes"
NAME = "shop.example"
PASSWORD = "tide-and-timetable-7"
ACCOUNT = f"""
import django
django.setup()
from shopkb.accounts.models import User
User.objects.create_user("harbour", password="{PASSWORD}", role="technician")
"""


def version_of(program: str, ask: str) -> str:
    """As it says itself; nginx says it where errors belong."""
    said = subprocess.run([program, ask], capture_output=True, text=True, check=True)
    return re.search(r"\d[\d.]*", said.stdout + said.stderr)[0]  # type: ignore[index]


@dataclass(frozen=True)
class Answer:
    status: int
    headers: http.client.HTTPMessage
    body: str


def answer_on(line: http.client.HTTPConnection) -> Answer:
    """What comes back on a line on which something was asked; the line is closed."""
    reply = line.getresponse()
    answer = Answer(reply.status, reply.headers, reply.read().decode())
    line.close()
    return answer


class Door:
    """The proxy in front of a shop, as a browser reaches it."""

    def __init__(self, shop: Shop, folder: Path) -> None:
        self.folder, self.shop = folder, shop
        self.plain, self.secure = free_port(), free_port()
        self.cookies: SimpleCookie = SimpleCookie()
        self._certificate()
        text = (RECIPES / "proxy.txt").read_text(encoding="utf-8")
        for said, here in (
            ("listen 80;", f"listen 127.0.0.1:{self.plain};"),
            ("listen 443 ", f"listen 127.0.0.1:{self.secure} "),
            ("http://127.0.0.1:8000", f"http://127.0.0.1:{shop.port}"),
            ("/etc/ssl/shopkb/", f"{folder}/"),
            ("<shop.example>", NAME),
        ):
            assert said in text, said
            text = text.replace(said, here)
        whole = f"""daemon off; pid {folder}/pid; error_log {folder}/errors; events {{}}
        http {{ access_log off; client_body_temp_path {folder}/bodies; proxy_temp_path {folder}/replies;
        fastcgi_temp_path {folder}/f; uwsgi_temp_path {folder}/u; scgi_temp_path {folder}/s; {text} }}"""
        (folder / "nginx.conf").write_text(whole, encoding="utf-8")

    def _certificate(self) -> None:
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={NAME}",
             "-addext", f"subjectAltName=DNS:{NAME}",
             "-keyout", self.folder / "key.pem", "-out", self.folder / "full-chain.pem"],
            check=True, capture_output=True,
        )  # fmt: skip

    def send(self, method: str, path: str, body: bytes = b"", **headers: str) -> Answer:
        trust = ssl.create_default_context(cafile=str(self.folder / "full-chain.pem"))
        line = http.client.HTTPConnection(NAME)
        to = socket.create_connection(("127.0.0.1", self.secure), timeout=30)
        line.sock = trust.wrap_socket(to, server_hostname=NAME)
        cookies = "; ".join(f"{one.key}={one.value}" for one in self.cookies.values())
        line.request(method, path, body or None, {"Cookie": cookies, **headers})
        answer = answer_on(line)
        for cookie in answer.headers.get_all("Set-Cookie") or []:
            self.cookies.load(cookie)
        return answer

    def sign_in(self, password: str, **headers: str) -> Answer:
        page = self.send("GET", "/sign-in/").body
        token = re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', page)[1]  # type: ignore[index]
        sent = urlencode({"csrfmiddlewaretoken": token, "username": "harbour", "password": password}).encode()
        origin = f"https://{NAME}"
        return self.send("POST", "/sign-in/", sent, Origin=origin, Referer=f"{origin}/sign-in/",
                         **{"Content-Type": "application/x-www-form-urlencoded", **headers})  # fmt: skip


@pytest.fixture
def door(shop: Shop, tmp_path: Path) -> Iterator[Door]:
    shop.python(ACCOUNT)
    shop.environment |= {
        "SHOPKB_HTTPS": "yes", "SHOPKB_BEHIND_PROXY": "yes", "SHOPKB_HOSTS": NAME, "SHOPKB_ORIGINS": f"https://{NAME}"
    }  # fmt: skip
    shop.always = {"Host": NAME, "X-Forwarded-Proto": "https"}
    made = Door(shop, tmp_path)
    server = subprocess.Popen(["nginx", "-c", tmp_path / "nginx.conf"])
    try:
        shop.start()
        yield made
    finally:
        server.terminate()
        server.wait()


def test_a_proxy_with_tls(door: Door, figure: dict[str, object]) -> None:
    unsafe = http.client.HTTPConnection("127.0.0.1", door.plain, timeout=30)
    unsafe.request("GET", "/jobs/", headers={"Host": NAME})
    answer = answer_on(unsafe)
    assert (answer.status, answer.headers["Location"]) == (301, f"https://{NAME}/jobs/")

    page = door.send("GET", "/sign-in/")
    assert page.status == 200
    assert page.headers["Strict-Transport-Security"] == "max-age=31536000; includeSubDomains; preload"
    assert door.sign_in(PASSWORD).status == 302
    assert {name: bool(one["secure"]) for name, one in door.cookies.items()} == {"csrftoken": True, "sessionid": True}
    home = door.send("GET", "/")
    assert (home.status, "no-store" in home.headers["Cache-Control"]) == (200, True)
    assert "nginx/" not in home.headers.get("Server", "")

    assert door.send("POST", "/jobs/new/", b"x" * (17 << 20)).status == 413
    assert door.send("GET", "/", Host="elsewhere.example").status == 400
    # What a visitor says of their own address is overwritten: the sixth try is locked all the same.
    door.cookies.clear()
    said = [door.sign_in("wrong", **{"X-Forwarded-For": f"192.0.2.{number}"}).status for number in range(6)]
    assert said == [200] * 4 + [429] * 2
    figure["nginx that the proxy recipe ran in"] = version_of("nginx", "-v")


def test_the_systemd_units(tmp_path: Path, figure: dict[str, object]) -> None:
    """Its own checker finds nothing; only the places that a shop fills in stand elsewhere here."""
    text = (RECIPES / "systemd.txt").read_text(encoding="utf-8")
    names = re.findall(r"# ---- (\S+) ----\n", text)
    parts = re.split(r"# ---- \S+ ----\n", text)[1:]
    for name, part in zip(names, parts, strict=True):
        here = part.replace("/opt/shopkb/.venv/bin/python", "/bin/true").replace("<shop.example>", NAME)
        (tmp_path / name).write_text(here, encoding="utf-8")
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *(tmp_path / name for name in names)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    ours = [line for line in done.stderr.splitlines() if "shopkb" in line]
    assert ours == []
    figure["systemd that accepts the units"] = version_of("systemd-analyze", "--version")
