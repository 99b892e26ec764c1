"""``rebuild_evidence``: compares, says, mends, and with a dry run only says."""

from __future__ import annotations

import io
import json

import pytest
from django.core.management import call_command

from shopkb.accounts.models import User
from shopkb.evidence import learning
from shopkb.evidence.models import Tally
from shopkb.jobs.closed_jobs import closed_cases
from shopkb.jobs.management.commands import rebuild_evidence
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import TO_GROUND


@pytest.fixture
def spoilt(horn: Procedure, junior: User) -> dict[object, object]:
    """What was kept up before one tally was spoilt, one lost and one made up."""
    builders.cured_job(horn, junior)
    builders.cured_job(horn, junior, TO_GROUND)
    before = learning.kept()
    Tally.objects.filter(step="press").update(count=7)
    Tally.objects.filter(step="direct").delete()
    Tally.objects.create(procedure="made-up", month="2026-01", count=1)
    return before


def run(**options: object) -> tuple[str, int]:
    out = io.StringIO()
    try:
        call_command("rebuild_evidence", stdout=out, stderr=io.StringIO(), **options)
    except SystemExit as end:
        return out.getvalue(), int(str(end.code))
    return out.getvalue(), 0


def test_nothing_differs_after_ordinary_work(horn: Procedure, junior: User) -> None:
    builders.cured_job(horn, junior)
    assert run() == ("5 tallies counted, 0 differed.\n", 0)


def test_a_dry_run_says_what_differs_and_changes_nothing(spoilt: dict[object, object]) -> None:
    held = learning.kept()
    told, code = run(dry_run=True)
    assert told.splitlines()[0] == "9 tallies counted, 4 differed."
    assert (told.splitlines()[-1], code) == ("Nothing was changed: dry run.", 1)
    assert learning.kept() == held
    told, code = run(dry_run=True, json=True)
    data = json.loads(told)
    assert (data["tallies"], data["differing"], data["rebuilt"], len(data["first"]), code) == (9, 4, False, 4, 1)


def test_the_jobs_are_read_once(spoilt: dict[object, object], monkeypatch: pytest.MonkeyPatch) -> None:
    passes = []
    monkeypatch.setattr(rebuild_evidence, "closed_cases", lambda: passes.append(1) or closed_cases())
    assert run()[1] == 0
    assert passes == [1]
    assert learning.kept() == spoilt


def test_a_run_mends_it(spoilt: dict[object, object]) -> None:
    told, code = run()
    assert (told.splitlines()[-1], code) == ("Rebuilt.", 0)
    assert learning.kept() == spoilt
    assert run(dry_run=True) == ("9 tallies counted, 0 differed.\n", 0)
