"""Each law: a shop in which it holds is silent, a row changed behind the doors is named."""

from __future__ import annotations

import json
import uuid
from dataclasses import asdict
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from shopkb.accounts.models import User
from shopkb.catalog.models import System
from shopkb.core.flow import editing
from shopkb.evidence.models import Tally
from shopkb.jobs.models import Job, Photo, Run
from shopkb.procedures import publishing
from shopkb.procedures.models import Document, Picture, Procedure
from shopkb.procedures.storing import flow_of, store_flow
from shopkb.upkeep.chains import chain_ends
from shopkb.upkeep.invariants import CHECKS, broken_invariants
from shopkb.web.markdown import STEP_PICTURES
from tests import builders
from tests.conftest import NOW


@pytest.fixture
def closed(horn: Procedure, junior: User) -> Job:
    return builders.cured_job(horn, junior)


def test_all_hold_after_the_doors(closed: Job, junior: User) -> None:
    builders.take_in(junior, comeback_of=closed)
    assert broken_invariants() == []
    told = StringIO()
    call_command("verify", stdout=told)
    assert told.getvalue() == f"All hold: {', '.join(CHECKS)}.\n"


def test_a_changed_revision_is_named(horn: Procedure) -> None:
    document = Document.objects.get(revision__procedure=horn)
    document.text = document.text.replace('"press":{"title":"', '"press":{"title":"Now: ')
    document.save()
    assert [(row.law, row.place, row.message) for row in broken_invariants()] == [
        ("revisions", "horn-silent, revision 1", "It was changed after it was published: its checksum is another.")
    ]


def test_a_damaged_document_is_named(horn: Procedure) -> None:
    Document.objects.filter(revision__procedure=horn).update(text="{")
    (found,) = broken_invariants()
    assert (found.law, found.place) == ("revisions", "horn-silent, revision 1")
    assert "is no JSON" in found.message


def test_a_lost_tally_is_named_and_made_anew(closed: Job) -> None:
    Tally.objects.filter(pk=Tally.objects.earliest("pk").pk).delete()
    found = broken_invariants()
    assert [row.law for row in found] == ["tallies"]
    assert found[0].message.startswith("Kept as None, counted from the jobs as TallySums(")
    with pytest.raises(CommandError) as refused:
        call_command("verify", stdout=StringIO())
    assert str(refused.value) == "Broken: tallies. verify --repair mends some of it."
    assert refused.value.returncode == 1
    told = StringIO()
    call_command("verify", repair=True, json=True, stdout=told)
    said = json.loads(told.getvalue())
    assert said.pop("log") == asdict(chain_ends())
    assert said == {"laws": list(CHECKS), "broken": [], "mended": ["tallies"], "way_back": None}


def test_a_run_of_a_closed_job_is_named_and_stopped(closed: Job) -> None:
    Run.objects.filter(job=closed).update(state=Run.State.UNDER_WAY)
    run = closed.runs.get()
    assert [(row.place, row.message) for row in broken_invariants()] == [
        (f"run {run.pk}", f"It is under way, but {closed} is closed.")
    ]
    call_command("verify", repair=True, stdout=StringIO())
    run.refresh_from_db()
    assert (run.state, run.stopped_why) == (Run.State.STOPPED, "The job was closed.")


def test_a_claim_without_a_verified_cure_is_named(horn: Procedure, closed: Job, junior: User) -> None:
    job = builders.take_in(junior)
    Job.objects.filter(pk=job.pk).update(state="closed", disposition="cured", closed_at=closed.closed_at)
    assert [(row.place, row.message) for row in broken_invariants() if row.law == "jobs"] == [
        (f"job {job.pk}", "It was closed as cured, and no repair was verified to have cured it.")
    ]


def test_a_comeback_on_another_vehicle_is_named(closed: Job, junior: User) -> None:
    job = builders.take_in(junior)
    Job.objects.filter(pk=job.pk).update(comeback_of=closed)
    assert [row.message for row in broken_invariants() if row.law == "jobs"] == [
        "It is a comeback of a later job, or of one on another vehicle."
    ]


def test_a_damaged_tree_is_named_and_mended(horn: Procedure) -> None:
    System.objects.filter(path="body/horn/relay").update(level=7)
    assert {row.law for row in broken_invariants()} == {"trees"}
    call_command("verify", repair=True, stdout=StringIO())
    assert broken_invariants() == []


def test_a_photo_whose_file_is_gone_is_named(closed: Job, junior: User, tmp_path: Path, settings: object) -> None:
    """And one whose file is there is not."""
    settings.MEDIA_ROOT = tmp_path  # type: ignore[attr-defined]
    size = {"width": 1, "height": 1, "size": 1}
    there, gone = (
        Photo.objects.create(job=closed, name=name, who=junior, at=NOW, client_id=uuid.uuid4(), **size)
        for name in ("there.jpg", "gone.jpg")
    )
    (tmp_path / there.name).write_bytes(b"x")
    with pytest.raises(CommandError, match="Broken: photos"):
        call_command("verify", stdout=StringIO())
    assert [(row.law, row.place, row.message) for row in broken_invariants()] == [
        ("photos", f"photo {gone.pk} of job {closed.pk}", "Its file gone.jpg is not there.")
    ]


def test_missing_pictures_are_named_with_the_step_that_shows_them(horn: Procedure, senior: User) -> None:
    """A file that was deleted, a picture that never was, and a drawing that nobody brought along; one that is there."""
    Picture.objects.create(name="step-lost.jpg", width=1, height=1, size=1, who=senior, at=NOW)
    draft = publishing.draft_from(horn.revisions.get(), by=senior, at=NOW)
    shown = f"Look.\n\n![Plug]({STEP_PICTURES}step-never.jpg)\n![Pin]({STEP_PICTURES}step-lost.jpg)"
    flow = editing.change_step(flow_of(draft), "press", {"instruction": shown, "picture": "fan-circuit.svg"})
    store_flow(draft, editing.change_step(flow, "supply", {"picture": "no-such.svg"}))
    assert [(row.law, row.place, row.message) for row in CHECKS["pictures"]()] == [
        ("pictures", "step-lost.jpg", "Its file is not there. Put it back from a backup."),
        ("pictures", "horn-silent, revision 2, press", "It shows step-never.jpg, which is not there."),
        ("pictures", "horn-silent, revision 2, supply", "It shows no-such.svg, which is not there."),
    ]
