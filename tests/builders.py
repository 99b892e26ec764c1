"""A small yard for tests of rooms: a catalog, one procedure with every kind of end, and jobs that follow it (invented).

Everything is written through the doors that pages use, except the catalog's plain rows.
"""

from __future__ import annotations

import html
import re
import threading
import uuid
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from itertools import count
from typing import TypeVar

import pytest
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.test.utils import CaptureQueriesContext

from shopkb.accounts.models import User
from shopkb.catalog import trees, wordings
from shopkb.catalog.cause_registry import cause_for
from shopkb.catalog.models import Access, Caution, Meter, OtherWords, Platform, Symptom, System
from shopkb.catalog.trees import NodeValue
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.model import Flow, Proof
from shopkb.jobs.actions import closing, following, intake, repairing
from shopkb.jobs.models import Job, Repair, Result, Run, Verification
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure, Revision
from tests.conftest import NOW
from tests.kept_rows import put_back

T = TypeVar("T")

HORN_TEXT = """\
procedure: horn-silent
title: Horn stays silent
system: body/horn
symptoms: [horn-silent]
codes: [B0900]
platforms: [any]
summary: |
  Halves the circuit at the horn connector.
verify: |
  Sound the horn **ten times**.
values:
  battery: {ask: Battery voltage with all loads off, unit: V, from: 9 V, to: 16 V}
  feed_drop: {compute: copper-cable-drop, area: 1.5 mm2, length: 4 m, current: 6 A, temperature: 40 degC}
causes:
  horn-open:
    component: body/horn/horn
    mode: open circuit
    usual: common
    correction: Fit a new horn.
    minutes: 15
    price: 28.5
    also: Look for water in the connector.
  horn-ground: {component: body/horn/earth, mode: high resistance, correction: Remake the joint., minutes: 20}
  relay-contacts: {component: body/horn/relay, mode: burnt contacts, correction: Fit a new relay., minutes: 5}
start: press
steps:
  press:
    title: Press the button and listen
    test: listen
    at: body/horn/relay
    access: cabin
    minutes: 1
    instruction: Press three times.
    outcomes:
      sounds: {label: Horn sounds, go: out, note: Not present at the moment.}
      click: {label: Relay clicks, go: supply}
      silent: {label: Nothing to be heard, go: hand-over horn-control}
  supply:
    title: Voltage at the connector
    test: measure
    at: body/horn/horn
    access: bumper-off
    minutes: 4
    needs: [press]
    tools: [voltmeter]
    cautions: [probe-terminals]
    reading: {quantity: voltage, unit: V, between: [supply pin, battery negative], loaded: true}
    outcomes:
      full: {label: Full supply, band: ">= battery - feed_drop * 1.3", go: ground}
      weak: {label: Supply low, band: "1 V .. battery - feed_drop * 1.3", go: relay-contacts, proof: measured}
      absent: {label: No supply, band: "< 1 V", go: relay-contacts, proof: elimination}
  ground:
    title: Voltage drop of the ground
    test: measure
    at: body/horn/earth
    access: bumper-off
    minutes: 2
    needs: [supply]
    reading: {quantity: voltage, unit: V, between: [ground pin, battery negative], loaded: true}
    outcomes:
      good: {label: Ground carries the load, band: "<= 0.2 V", go: direct}
      bad: {label: Drop too high, band: "> 0.2 V", go: horn-ground, proof: measured}
  direct:
    title: Feed the horn from the battery
    test: power-directly
    at: body/horn/horn
    access: bumper-off
    minutes: 3
    cautions: [isolate-before-power]
    isolates: [horn connector]
    instruction: Unplug the horn, then feed it through a fused lead.
    outcomes:
      sounds: {label: Horn sounds, go: out, note: Look at the connector.}
      silent: {label: Horn stays silent, go: horn-open, proof: substituted}
"""

CONTROL_TEXT = """\
procedure: horn-control
title: Horn relay is not called
system: body/horn
symptoms: [horn-silent]
platforms: [curlew/dunlin]
causes:
  coil: {component: body/horn/relay, mode: coil open circuit, correction: Fit a new relay., minutes: 5}
  button: {component: body/horn/button, mode: open circuit, correction: Fit a new button., minutes: 30}
start: coil-ohms
steps:
  coil-ohms:
    title: Resistance of the coil
    test: measure
    at: body/horn/relay
    access: cabin
    minutes: 3
    cautions: [dead-circuit]
    isolates: [relay]
    reading: {quantity: resistance, unit: ohm, between: [terminal 85, terminal 86]}
    outcomes:
      sound: {label: Coil sound, band: "< 200 ohm", go: look}
      high: {label: Too high, band: ">= 200 ohm", go: coil, proof: measured}
      open: {label: No reading, band: over-limit, go: coil, proof: measured}
  look:
    title: Look at the button
    test: look
    at: body/horn/button
    access: cabin
    minutes: 5
    outcomes:
      burnt: {label: Burnt, go: button, proof: seen}
      clean: {label: Clean, go: out, note: Look at the wire.}
"""

SYSTEMS = (
    NodeValue(
        "body",
        "Body",
        children=(
            NodeValue(
                "horn",
                "Horn circuit",
                children=(
                    NodeValue("horn", "Horn"),
                    NodeValue("earth", "Horn earth"),
                    NodeValue("relay", "Horn relay"),
                    NodeValue("button", "Horn button"),
                ),
            ),
        ),
    ),
)
PLATFORMS = (
    NodeValue("curlew", "Curlew", children=(NodeValue("dunlin", "Dunlin minibus"), NodeValue("knot", "Knot van"))),
    NodeValue("godwit", "Godwit", children=(NodeValue("turnstone", "Turnstone minibus"),)),
)

# Ways through the horn procedure that reach each kind of end: (step, outcome, reading).
TO_HORN = (("press", "click", ""), ("supply", "full", "12.4"), ("ground", "good", "0.05"), ("direct", "silent", ""))
TO_GROUND = (*TO_HORN[:2], ("ground", "bad", "0.9"))
TO_RELAY = (TO_HORN[0], ("supply", "weak", "7.0"))
TO_OUT = (("press", "sounds", ""),)


def flow_from(text: str) -> Flow:
    outcome = read_flow(text)
    assert outcome.flow is not None, [finding.text() for finding in outcome.findings]
    return outcome.flow


def make_catalog() -> None:
    """Enough of a catalog for both procedures to pass every check."""
    trees.load(System, SYSTEMS)
    trees.load(Platform, PLATFORMS)
    horn = System.objects.get(path="body/horn")
    words = ["horn dead", "no horn", "hooter does not work"]
    Symptom.objects.create(key="horn-silent", name="Horn does not sound", system=horn, words=words, codes=["B0901"])
    Symptom.objects.create(key="horn-hoarse", name="Horn sounds hoarse", system=horn, words=["croaks"], codes=[])
    OtherWords.objects.create(key="lamp", words=["lamp", "light"])
    for key, signal, hazards in (
        ("isolate-before-power", Caution.Signal.WARNING, ["back-feed"]),
        ("dead-circuit", Caution.Signal.NOTICE, ["live-ohms"]),
        ("probe-terminals", Caution.Signal.NOTICE, ["spread-terminal"]),
    ):
        Caution.objects.create(
            key=key, signal=signal, title=key.replace("-", " "), text=f"Mind: {key}.", hazards=hazards
        )
    Access.objects.create(key="cabin", name="In the cabin", minutes=1)
    Access.objects.create(key="bumper-off", name="Bumper off", minutes=20)
    Meter.objects.create(
        key="pocket",
        name="Pocket meter",
        accuracies=[
            {"quantity": "voltage", "top": "20 V", "percent": 0.8, "counts": 5, "resolution": "10 mV"},
            {"quantity": "resistance", "top": "20 kohm", "percent": 1, "counts": 5, "resolution": "1 ohm"},
        ],
    )
    wordings.record(wordings.all_rows())


def put_in_force(text: str, by: User, second: User) -> Procedure:
    """The procedure of this file, published."""
    revision = publishing.start_draft(flow_from(text), by=by, at=NOW)
    publishing.publish(revision, by=second, at=NOW)
    return revision.procedure


def in_force(procedure: Procedure) -> Revision:
    return procedure.revisions.get(state=Revision.State.PUBLISHED)


_plates = count(1)


def take_in(by: User, *, at: datetime = NOW, comeback_of: Job | None = None, **said: object) -> Job:
    """A job on a vehicle of its own, or on that of the job it is a comeback of."""
    given: dict[str, object] = {
        "registration": comeback_of.vehicle.registration if comeback_of else f"SB {next(_plates):04d}",
        "platform": Platform.objects.get(path="curlew/dunlin"),
        "complaint": "The horn does not sound.",
        "client_id": uuid.uuid4(),
        "comeback_of": comeback_of,
        **said,
    }
    return intake.open_job(intake.Intake(**given), by=by, at=at)  # type: ignore[arg-type]


def start(job: Job, procedure: Procedure, by: User, *, at: datetime = NOW) -> Run:
    """A run of the procedure with its asked value given, when it asks for one."""
    run = following.start_run(job, procedure, by=by, at=at, client_id=uuid.uuid4())
    if procedure.key == "horn-silent":
        following.record_value(run, "battery", "12.6", by=by, at=at, client_id=uuid.uuid4())
    return run


def say(run: Run, step: str, outcome: str = "", typed: str = "", **more: object) -> following.Answer:
    fields: dict[str, object] = {"step": step, "client_id": uuid.uuid4(), "outcome": outcome, "typed": typed, **more}
    return following.Answer(**fields)  # type: ignore[arg-type]


def follow(run: Run, way: Sequence[tuple[str, str, str]], by: User, *, at: datetime = NOW) -> list[Result]:
    """Answer these steps one minute apart; the stored results."""
    return [
        following.record(run, say(run, *answer), by=by, at=at + timedelta(minutes=number)).result
        for number, answer in enumerate(way, start=1)
    ]


def mend(
    job: Job,
    by: User,
    *,
    result: Result | None = None,
    cause: tuple[str, str] = ("body/horn/horn", "open circuit"),
    cured: Verification.Cured | None = Verification.Cured.YES,
    proof: Proof = Proof.MEASURED,
    at: datetime = NOW,
) -> Repair:
    """A repair, and what its verification said unless there was none."""
    done = repairing.RepairDetails(cause_for(*cause), proof, "Fitted a new one.", uuid.uuid4(), result=result)
    repair = repairing.record_repair(job, done, by=by, at=at)
    if cured is not None:
        repairing.verify_repair(repair, cured, how="Ten times, as they said.", by=by, at=at, client_id=uuid.uuid4())
    return repair


def prepare(job: Job, recorded: str, by: User) -> None:
    """``nothing``, or a repair that is ``unverified``, ``cured``, ``not-cured`` or ``not-checked``."""
    if recorded == "unverified":
        mend(job, by, cured=None)
    elif recorded != "nothing":
        mend(job, by, cured=Verification.Cured(recorded))


def cured_job(procedure: Procedure, by: User, way: Sequence[tuple[str, str, str]] = TO_HORN) -> Job:
    """A job that followed the way, was repaired there, verified and closed as cured."""
    causes = {TO_GROUND: ("body/horn/earth", "high resistance"), TO_RELAY: ("body/horn/relay", "burnt contacts")}
    job = take_in(by)
    results = follow(start(job, procedure, by), way, by)
    mend(job, by, result=results[-1], cause=causes.get(tuple(way), ("body/horn/horn", "open circuit")))
    return closing.close_job(job, Job.Disposition.CURED, by=by, at=NOW)


def all_at_once(people: int, act: Callable[[int], T]) -> list[T | Exception]:
    """Run ``act`` for each number in a thread of its own, begun together; what each gave or raised."""
    gate = threading.Barrier(people)

    def run(number: int) -> T | Exception:
        try:
            gate.wait(timeout=30)
            return act(number)
        except Exception as error:  # noqa: BLE001 - handed to the test, which looks at it
            return error
        finally:
            connection.close()

    with ThreadPoolExecutor(people) as pool:
        return [future.result() for future in [pool.submit(run, number) for number in range(people)]]


def signed_in(person: User, *, csrf: bool = False) -> Client:
    """A browser of this person; with ``csrf`` it is refused what comes without our own token."""
    client = Client(enforce_csrf_checks=csrf)
    client.force_login(person)
    return client


WRITE = re.compile(r"^(INSERT|UPDATE|DELETE)", re.IGNORECASE)


LOGGED = re.compile(r'INTO "(jobs_jobreading|accounts_auditrecord)"')


def get(client: Client, url: str, **query: str) -> tuple[HttpResponse, int]:
    """The page and the number of queries it took; it must change nothing, but for who read and what was refused."""
    with CaptureQueriesContext(connection) as queries:
        response = client.get(url, query)
    writes = [query["sql"] for query in queries if WRITE.match(query["sql"]) and not LOGGED.search(query["sql"])]
    assert writes == [], url
    return response, len(queries)


def words_of(response: HttpResponse) -> str:
    """The page's text as it is read: tags out, blanks single."""
    body = re.sub(r"<(script|style).*?</\1>", "", response.content.decode(), flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


@pytest.fixture
def yard(db: None) -> None:
    """The small catalog."""
    put_back("yard", make_catalog, {})


@pytest.fixture
def horn(yard: None, senior: User, second: User) -> Procedure:
    """Horn stays silent, in force, and the procedure it hands over to."""

    def make() -> None:
        put_in_force(CONTROL_TEXT, senior, second)
        put_in_force(HORN_TEXT, senior, second)

    put_back("horn", make, {"senior": senior.pk, "second": second.pk})
    return Procedure.objects.get(key="horn-silent")
