"""A shop with a real server in a process of its own, and people who send to it. Everything in it is invented."""

from __future__ import annotations

import http.client
import io
import itertools
import json
import os
import resource
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from PIL import Image

from tests.faults.forked import ForkedServer, Loaded

ROOT = Path(__file__).resolve().parent.parent.parent
PEOPLE = 4
TOKEN = "a" * 32
STARTING = 120.0
"""Seconds a server may take to answer, on a computer that has other work too."""

SEED = """
import django, json, sys
django.setup()
from django.test import Client
from shopkb.accounts.models import User
from shopkb.catalog.cause_registry import cause_for
from shopkb.catalog.models import Platform
from tests import builders
from tests.conftest import person
builders.make_catalog()
senior, second = person("senior", "writer"), person("second", "writer")
builders.put_in_force(builders.CONTROL_TEXT, senior, second)
builders.put_in_force(builders.HORN_TEXT, senior, second)
sessions = []
for number in range(int(sys.stdin.read())):
    client = Client()
    client.force_login(person(f"tech{number}", "technician"))
    sessions.append(client.cookies["sessionid"].value)
print(json.dumps({
    "sessions": sessions,
    "platform": Platform.objects.get(path="curlew/dunlin").pk,
    "cause": cause_for("body/horn/earth", "high resistance").pk,
}))
"""

COUNT = """
import django, json, sys
django.setup()
from django.core.files.storage import default_storage
from shopkb.jobs.models import Job, Photo, Repair, Result, Run, RunValue, Verification
models = {"job": Job, "run": Run, "result": Result, "value": RunValue, "repair": Repair, "verification": Verification,
          "photo": Photo}
asked = json.load(sys.stdin)
found = {kind: {str(i): 0 for i in ids} for kind, ids in asked.items() if kind in models}
for kind, model in models.items():
    for one in model.objects.values_list("client_id", flat=True):
        if str(one) in found.get(kind, {}):
            found[kind][str(one)] += 1
asked_photos = Photo.objects.filter(client_id__in=asked["photo"])
found["cut off"] = [row.name for row in asked_photos if default_storage.size(row.name) != row.size]
found["closed"] = sorted(set(asked.get("closed", [])) & set(Job.objects.closed().values_list("pk", flat=True)))
print(json.dumps(found))
"""


@dataclass
class Acknowledged:
    """What the server said it had stored: client ids by kind, and the numbers of closed jobs."""

    job: list[str] = field(default_factory=list)
    run: list[str] = field(default_factory=list)
    result: list[str] = field(default_factory=list)
    value: list[str] = field(default_factory=list)
    repair: list[str] = field(default_factory=list)
    verification: list[str] = field(default_factory=list)
    photo: list[str] = field(default_factory=list)
    closed: list[int] = field(default_factory=list)

    @property
    def count(self) -> int:
        return sum(len(ids) for ids in vars(self).values())


@dataclass(frozen=True)
class Reply:
    status: int
    location: str
    body: str


class Shop:
    """One data folder or database, and at most one server on it."""

    def __init__(self, folder: Path, database: str = "", like: Shop | None = None, people: int = PEOPLE) -> None:
        """``like``: a shop of which folder and database are a copy already. ``people``: technicians signed in."""
        self.folder = folder
        self.environment = {
            **{name: value for name, value in os.environ.items() if not name.startswith(("SHOPKB_", "DATABASE_URL"))},
            "SHOPKB_DATA_DIR": str(folder),
            "DJANGO_SETTINGS_MODULE": "shopkb.settings",
            "SHOPKB_LOG_LEVEL": "CRITICAL",
            **({"DATABASE_URL": database} if database else {}),
        }
        self.port = free_port()
        self.always: dict[str, str] = {}
        self.first_job = 0
        self.server: subprocess.Popen[bytes] | ForkedServer | None = None
        self.loaded: Loaded | None = None
        """With it servers are forks of one process that has the program loaded."""
        if like is not None:
            self.sessions, self.platform, self.cause = like.sessions, like.platform, like.cause
            return
        self.manage("migrate", "--verbosity", "0")
        seeded = json.loads(self.python(SEED, str(people)).splitlines()[-1])
        self.sessions: list[str] = seeded["sessions"]
        self.platform: int = seeded["platform"]
        self.cause: int = seeded["cause"]

    def manage(self, *command: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [sys.executable, "manage.py", *command], cwd=ROOT, env=self.environment, capture_output=True, text=True,
            check=False,
        )  # fmt: skip
        assert not check or done.returncode == 0, done.stdout + done.stderr
        return done

    def python(self, code: str, given: str = "") -> str:
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=ROOT, env=self.environment, input=given, capture_output=True, text=True,
            check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return done.stdout

    def start(self, *, largest_file: int = 0, **more: str) -> None:
        """Serve, and wait for the health page. ``largest_file`` (bytes) stands for a disk that is full.

        ``more``: further environment.
        """

        def narrow() -> None:
            if largest_file:
                resource.setrlimit(resource.RLIMIT_FSIZE, (largest_file, largest_file))

        if self.loaded is not None and not largest_file and not more:
            self.server = self.loaded.serve(self.port)
        else:
            self.server = subprocess.Popen(
                [sys.executable, "manage.py", "serve", "--port", str(self.port)],
                cwd=ROOT,
                env={**self.environment, **more},
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                preexec_fn=narrow,
            )
        until = time.monotonic() + STARTING
        while time.monotonic() < until:
            try:
                if self.get("/health/").status == 200:
                    return
            except OSError:
                time.sleep(0.02)
        raise AssertionError("The server did not start.")

    def kill(self) -> None:
        """As a power cut does to a process: no time for anything."""
        assert self.server is not None
        self.server.send_signal(signal.SIGKILL)
        self.server.wait()
        self.server = None

    def get(self, path: str, person: int | None = None) -> Reply:
        """A page, as this person or as a visitor."""
        cookies = {"Cookie": f"sessionid={self.sessions[person % len(self.sessions)]}"} if person is not None else {}
        return self._send("GET", path, None, cookies)

    def post(self, path: str, person: int, **sent: Any) -> Reply:
        """Send a form as this person."""
        cookies = f"sessionid={self.sessions[person % len(self.sessions)]}; csrftoken={TOKEN}"
        body = urlencode({"csrfmiddlewaretoken": TOKEN, **sent})
        return self._send("POST", path, body, {"Cookie": cookies, "Content-Type": "application/x-www-form-urlencoded"})

    def post_item(self, path: str, person: int, item: dict[str, Any]) -> Reply:
        """Send an item of an outbox as a device does."""
        cookies = f"sessionid={self.sessions[person % len(self.sessions)]}; csrftoken={TOKEN}"
        headers = {"Cookie": cookies, "X-CSRFToken": TOKEN, "Content-Type": "application/json"}
        return self._send("POST", path, json.dumps(item), headers)

    def post_photo(self, path: str, person: int, picture: bytes, **more: str) -> Reply:
        """Send a picture as a browser does."""
        cut = uuid.uuid4().hex
        fields = {"csrfmiddlewaretoken": TOKEN, "client_id": str(uuid.uuid4()), **more}
        parts = [f'Content-Disposition: form-data; name="{name}"\r\n\r\n{text}' for name, text in fields.items()]
        head = "".join(f"--{cut}\r\n{part}\r\n" for part in parts)
        file = 'Content-Disposition: form-data; name="picture"; filename="a.jpg"\r\nContent-Type: image/jpeg\r\n\r\n'
        body = f"{head}--{cut}\r\n{file}".encode() + picture + f"\r\n--{cut}--\r\n".encode()
        cookies = f"sessionid={self.sessions[person % len(self.sessions)]}; csrftoken={TOKEN}"
        return self._send(
            "POST", path, body, {"Cookie": cookies, "Content-Type": f"multipart/form-data; boundary={cut}"}
        )

    def intake(self, person: int, client_id: str, plate: str) -> Reply:
        return self.post(
            "/jobs/new/",
            person,
            client_id=client_id,
            registration=plate,
            platform=self.platform,
            complaint="The horn does not sound.",
            complaint_verified="not-yet",
        )

    def found(self, asked: Acknowledged) -> dict[str, Any]:
        """How often each acknowledged thing is in the database."""
        return json.loads(self.python(COUNT, json.dumps(vars(asked))))

    def broken(self) -> list[dict[str, Any]]:
        """What ``verify`` finds."""
        done = self.manage("verify", "--json", check=False)
        assert done.stdout, done.stderr
        return json.loads(done.stdout)["broken"]

    def _send(self, method: str, path: str, body: str | bytes | None, headers: dict[str, str]) -> Reply:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            connection.request(method, path, body, {**self.always, **headers})
            response = connection.getresponse()
            return Reply(response.status, response.getheader("Location") or "", response.read().decode())
        except http.client.HTTPException as error:
            raise ConnectionError(str(error)) from error
        finally:
            connection.close()


@contextmanager
def at_work(shop: Shop) -> Iterator[tuple[Acknowledged, list[Reply]]]:
    """Four people book in, follow and close jobs until the block ends; what was acknowledged, and odd replies.

    By turns on the pages and as a device sends what it kept: the booking in, values, answers, pictures, the repair and
    its check. A device sends an item again until it is told that it is stored.
    """
    stop, told, odd = threading.Event(), Acknowledged(), []

    def work(person: int) -> None:
        jobs = itertools.cycle([_one_job, _one_job_of_a_device] if person % 2 else [_one_job_of_a_device, _one_job])
        while not stop.is_set():
            try:
                next(jobs)(shop, person, told, odd)
            except OSError:
                time.sleep(0.02)

    threads = [threading.Thread(target=work, args=(person,)) for person in range(PEOPLE)]
    for thread in threads:
        thread.start()
    try:
        yield told, odd
    finally:
        stop.set()
        for thread in threads:
            thread.join()


def _one_job(shop: Shop, person: int, told: Acknowledged, odd: list[Reply]) -> None:
    def sent(reply: Reply) -> bool:
        if reply.status != 302:
            odd.append(reply)
        return reply.status == 302

    ids = [str(uuid.uuid4()) for _ in range(4)]
    opened = shop.intake(person, ids[0], f"SB {secrets.token_hex(5).upper()}")
    if not sent(opened):
        return
    told.job.append(ids[0])
    job = opened.location
    started = shop.post(f"{job}start/horn-silent/", person, client_id=ids[1])
    if not sent(started):
        return
    told.run.append(ids[1])
    if not sent(shop.post(f"{started.location}steps/press/answer/", person, client_id=ids[2], outcome="sounds")):
        return
    told.result.append(ids[2])
    back = shop.post(f"{started.location}put-back/", person, part="In the cabin")
    if sent(back) and sent(shop.post(f"{job}close/", person, disposition="not-present", note="")):
        told.closed.append(int(job.strip("/").rpartition("/")[2]))


def _one_job_of_a_device(shop: Shop, person: int, told: Acknowledged, odd: list[Reply]) -> None:
    ids = [str(uuid.uuid4()) for _ in range(9)]
    plate = f"SB {secrets.token_hex(5).upper()}"
    booking = {
        "registration": plate, "platform": shop.platform, "complaint": "The horn does not sound.",
        "complaint_verified": "not-yet",
    }  # fmt: skip

    def form(kind: str, client_id: str, kept: list[str], **more: Any) -> bool:
        item = {"kind": kind, "client_id": client_id, "run": run, "repair": "", **more}
        return _until_told(lambda: shop.post_item("/jobs/outbox/forms/", person, item), client_id, kept, odd)

    def item(client_id: str, kept: list[str], **sent: str) -> bool:
        sent = {"client_id": client_id, "at": "2026-03-02T10:00:00+01:00", **sent}
        return _until_told(lambda: shop.post_item(f"{at}outbox/", person, sent), client_id, kept, odd)

    run = ""
    if not form("intake", ids[0], told.job, fields=booking):
        return
    booked = shop.intake(person, ids[0], plate)  # the page that the device had sent to already
    if booked.status != 302:
        odd.append(booked)
        return
    job = booked.location
    started = shop.post(f"{job}start/horn-silent/", person, client_id=ids[1])
    if started.status != 302:
        odd.append(started)
        return
    at = started.location
    told.run.append(ids[1])
    run = at.strip("/").rpartition("/")[2]
    if not (
        item(ids[2], told.result, kind="answer", step="press", outcome="click")
        and item(ids[3], told.value, kind="value", key="battery", typed="12.4")
        and item(ids[4], told.result, kind="answer", step="supply", outcome="full", typed="12.4")
        and item(ids[5], told.result, kind="answer", step="ground", outcome="bad", typed="0.9")
        and _until_told(
            lambda: shop.post_photo(f"{job}outbox/photo/", person, PICTURE, client_id=ids[6], answer=ids[5]),
            ids[6], told.photo, odd,
        )
    ):  # fmt: skip
        return
    mended = {"cause": shop.cause, "proof": "measured", "done": ["Remake the joint"], "correction": "Greased."}
    seen = {"cured": "cured", "seen": "Sound the horn ten times", "how": "In rain too."}
    if (
        form("repair", ids[7], told.repair, fields=mended)
        and form("verify", ids[8], told.verification, fields=seen, repair=ids[7])
        and shop.post(f"{at}put-back/", person, part="In the cabin").status == 302
        and shop.post(f"{at}put-back/", person, part="Bumper off").status == 302
        and shop.post(f"{job}close/", person, disposition="cured", note="").status == 302
    ):
        told.closed.append(int(job.strip("/").rpartition("/")[2]))


def _until_told(send: Callable[[], Reply], client_id: str, kept: list[str], odd: list[Reply]) -> bool:
    """Send it again until there is an answer, as an outbox does; whether it is stored."""
    until = time.monotonic() + STARTING
    while True:
        try:
            reply = send()
            break
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.02)
    if reply.status != 200:
        odd.append(reply)
        return False
    kept.append(client_id)
    return True


def _drawn() -> bytes:
    file = io.BytesIO()
    Image.effect_noise((320, 240), 60).convert("RGB").save(file, "JPEG")
    return file.getvalue()


PICTURE = _drawn()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
