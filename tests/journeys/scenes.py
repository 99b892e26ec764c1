"""A shop in the middle of a day, made through the doors (invented): every kind of page has something on it."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import timedelta

from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.catalog import wordings
from shopkb.catalog.models import Caution, Platform, Proposal, Symptom
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow
from shopkb.jobs.actions import closing, following, handing_over, noting, repairing
from shopkb.jobs.actions.receiving import receive
from shopkb.jobs.models import Job, Run, Verification
from shopkb.procedures import publishing
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.figures.decisions import Decided
from shopkb.reports.figures.suggestions import Subject, SuggestionKind
from shopkb.reports.models import SuggestionDecision
from tests.builders import follow, mend, say, take_in

FAN = "overheats-fan-silent"
BLOWER = "blower-only-top-speed"
ASKED = {"cap_pressure": "1.1", "fan_power": "240", "feed_wire": "4"}
TO_CLICKS = (
    ("arrival", "fits", ""),
    ("level", "right", ""),
    ("pressure", "holds", "1.05"),
    ("both-speeds", "clicks", ""),
)
TO_SUPPLY = (
    *TO_CLICKS,
    ("fuse-drop", "whole", "0.02"),
    ("box-feed", "none", "0.3"),
    ("mated", "good", "0.01"),
    ("plug-look", "clean", ""),
    ("motor-alone", "right", "17.2"),
)
TO_CONTACTS = (*TO_SUPPLY, ("supply", "weak", "4.6"), ("contacts-drop", "bad", "4.1"))
GROUND = ("cooling/fan/earth", "high resistance")
TO_GROUND = (*TO_SUPPLY, ("supply", "full", "0.3"), ("earth", "bad", "1.4"))
COMPLAINT = "Ran hot in the queue at the ferry and dropped its coolant."
VIN = "1M8GDM9AXKP042788"
"""The worked example of the check digit in 49 CFR 565 as commonly published; no vehicle of the shop."""


@dataclass(frozen=True)
class Day:
    """What stands in the shop at noon."""

    fan: Procedure
    open_job: Job
    measuring: Run
    asking: Run
    ended: Run
    stopped: Run
    closed_job: Job
    came_back: Job
    unverified: int
    finding: int
    offered: int
    draft: Revision
    in_review: Revision
    withdrawn: Revision
    proposed: int
    suggestion: str


def fan_job(by: User, procedure: Procedure, way: tuple[tuple[str, str, str], ...], **said: object) -> Run:
    """A job on an overheating vehicle that followed the way."""
    given: dict[str, object] = {
        "complaint": COMPLAINT,
        "circumstances": "After 10 minutes of standing, 25 °C outside. Fine at speed.",
        "symptom": Symptom.objects.get(key="engine-overheats"),
        "codes": ["P0480"],
        "odometer": 184_300,
        "year": 2016,
        "vin": VIN,
        "platform": Platform.objects.get(path="curlew/dunlin/mk2/rush4"),
        "complaint_verified": Job.Verified.YES,
        **said,
    }
    now = timezone.now() - timedelta(minutes=50)
    job = take_in(by, at=now, **given)
    run = following.start_run(job, procedure, by=by, at=now, client_id=uuid.uuid4())
    for key, typed in ASKED.items():
        following.record_value(run, key, typed, by=by, at=now, client_id=uuid.uuid4())
    follow(run, way, by, at=now)
    return run


def cured_fan_job(by: User, procedure: Procedure, way: tuple[tuple[str, str, str], ...], cause: tuple[str, str]) -> Job:
    """A closed job whose repair held."""
    run = fan_job(by, procedure, way)
    mend(run.job, by, result=run.results.last(), cause=cause, at=timezone.now())
    return closing.close_job(run.job, Job.Disposition.CURED, by=by, at=timezone.now())


def busy_day(shelf: dict[str, Procedure], junior: User, senior: User, second: User) -> Day:
    """Open and closed jobs, a comeback, drafts and a withdrawn revision."""
    fan = shelf[FAN]
    measuring = fan_job(junior, fan, TO_SUPPLY)
    now = timezone.now()
    asking = following.start_run(measuring.job, fan, by=junior, at=now, client_id=uuid.uuid4())
    follow(asking, TO_CLICKS[:2], junior, at=now)
    ended = fan_job(junior, fan, TO_CONTACTS, complaint="Fan never comes on, steam from the bonnet.")
    repair = mend(
        ended.job, junior, result=ended.results.last(), cause=("cooling/fan/relay", "burnt contacts"), cured=None
    )
    late = {"kind": "answer", "client_id": str(uuid.uuid4()), "step": "fuse-drop", "outcome": "blown", "typed": "0.7"}
    receive(ended, late, by=junior, at=now)
    found = noting.note_finding(ended.job, "The fan shroud is cracked", by=junior, at=now, client_id=uuid.uuid4())
    stopped = fan_job(junior, fan, TO_CLICKS)
    following.record(stopped, say(stopped, "fuse-drop", skipped="no-access", onward="whole"), by=junior, at=now)
    following.stop_run(stopped, by=junior, at=now, why="The vehicle was needed for the school run.")
    wheel = ("cooling/fan/earth", "high resistance")
    closed = cured_fan_job(junior, fan, TO_GROUND, wheel)
    failed = cured_fan_job(junior, fan, TO_CONTACTS, ("cooling/fan/relay", "burnt contacts"))
    came_back = take_in(junior, at=timezone.now(), comeback_of=failed)
    return Day(
        fan=fan,
        open_job=measuring.job,
        measuring=measuring,
        asking=asking,
        ended=ended,
        stopped=stopped,
        closed_job=closed,
        came_back=came_back,
        unverified=repair.pk,
        finding=found.pk,
        offered=_offered(asking, junior, senior),
        draft=_draft(fan, senior),
        in_review=_in_review(shelf[BLOWER], senior),
        withdrawn=_withdrawn(senior, second),
        proposed=_proposed(senior),
        suggestion=_suggestion(senior),
    )


def _suggestion(senior: User) -> str:
    """Address of one that was given to the senior."""
    subject = Subject(SuggestionKind.NO_PROCEDURE, "", "", "horn-hoarse")
    SuggestionDecision.objects.create(
        **subject._asdict(), decided=Decided.GIVEN, person=senior, words="Before winter.", part=9, whole=0, by=senior,
        said="9 jobs came in with “Horn sounds hoarse”, and no procedure is for it.", at=timezone.now(),
        client_id=uuid.uuid4(),
    )  # fmt: skip
    return reverse("reports:decide", args=[subject.address])


def _proposed(senior: User) -> int:
    """Other words for a caution that procedures use."""
    fan = Caution.objects.get(key="fan-starts-itself")
    done = wordings.change(
        fan, {"text": f"{fan.text} It may do so with the key out.", "hazards": []}, by=senior, why="It caught a sleeve."
    )
    assert isinstance(done, Proposal)
    return done.pk


def not_cured(run: Run, by: User) -> None:
    """The newest repair of the run's job did not help."""
    repair = run.job.repairs.latest("pk")
    repairing.verify_repair(
        repair, Verification.Cured.NO, how="Drove it.", by=by, at=timezone.now(), client_id=uuid.uuid4()
    )


def text_of(procedure: Procedure) -> str:
    """The revision in force as a procedure file."""
    return write_flow(flow_of(procedure.revisions.get(state=Revision.State.PUBLISHED)))


def _offered(run: Run, giver: User, receiver: User) -> int:
    words = handing_over.HandOverNote(
        reason="The late shift takes over.",
        client_id=uuid.uuid4(),
        step="pressure",
        off_vehicle="Bonnet open.",
        excluded="Coolant low.",
    )
    return handing_over.hand_over(run, receiver, words, by=giver, at=timezone.now()).pk


def _draft(procedure: Procedure, by: User) -> Revision:
    return publishing.draft_from(
        procedure.revisions.get(state="published"), by=by, at=timezone.now(), why="Measure the earth first."
    )


def _in_review(procedure: Procedure, by: User) -> Revision:
    revision = _draft(procedure, by)
    publishing.ask_for_review(revision, by=by)
    revision.refresh_from_db()
    return revision


def _withdrawn(senior: User, second: User) -> Revision:
    read = read_flow(LAMP)
    assert read.flow is not None, [finding.text() for finding in read.findings]
    revision = publishing.start_draft(read.flow, by=senior, at=timezone.now())
    published = publishing.publish(revision, by=second, at=timezone.now())
    publishing.withdraw(
        published, by=second, at=timezone.now(), why="The lamp gets hot enough to burn a hand.", for_safety=True
    )
    published.refresh_from_db()
    return published


LAMP = """\
procedure: warning-lamp-dark
title: Temperature lamp stays dark
system: cooling
symptoms: [temperature-reads-wrong]
platforms: [any]
summary: Key on, the lamp must light for a moment. If it stays dark, this is where to look.
verify: Key on **three times**. The lamp lights each time and goes out.
causes:
  lamp-open: {component: cooling/temperature-sensor, mode: open circuit, correction: New sensor., minutes: 25}
  plug-loose: {component: cooling/temperature-sensor-wiring, mode: high resistance, correction: New terminals.}
start: lamp
steps:
  lamp:
    title: Does the lamp light with the key on?
    test: look
    at: cooling/temperature-sensor
    access: cabin
    minutes: 1
    cautions: [fan-starts-itself]
    instruction: |
      1. Key on, engine off.
      2. Look at the lamp for three seconds.
    outcomes:
      lights: {label: It lights, go: out, note: Not present at the moment. Ask the driver again.}
      dark: {label: It stays dark, go: plug}
  plug:
    title: Look at the plug of the sensor
    test: look
    at: cooling/temperature-sensor-wiring
    access: bonnet-open
    minutes: 3
    tools: [lamp]
    cautions: [fan-starts-itself, probe-terminals]
    instruction: Key out. Pull the plug and look at both halves.
    outcomes:
      loose: {label: Terminal loose or green, go: plug-loose, proof: seen}
      clean: {label: Clean and tight, go: lamp-open, proof: elimination}
"""
