"""A node of a tree moves: what was learned goes with it (law 6), and what is published keeps the paths it names."""

from __future__ import annotations

import pytest

from shopkb.accounts.models import User
from shopkb.catalog import trees
from shopkb.catalog.models import Platform, System
from shopkb.evidence import learning
from shopkb.evidence.models import Tally
from shopkb.jobs.actions import closing
from shopkb.jobs.closed_jobs import closed_cases
from shopkb.jobs.models import Job, Verification
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import TO_GROUND, follow, mend
from tests.conftest import NOW


def closed_job(horn: Procedure, who: User, cause: tuple[str, str]) -> Job:
    job = builders.take_in(who, platform=Platform.objects.get(path="curlew/dunlin"))
    follow(builders.start(job, horn, who), TO_GROUND, who)
    mend(job, who, cause=cause, cured=Verification.Cured.YES)
    return closing.close_job(job, Job.Disposition.CURED, by=who, at=NOW)


def test_tallies_follow_a_platform_and_a_reopened_job_takes_back_all(
    horn: Procedure, junior: User, second: User
) -> None:
    jobs = [closed_job(horn, junior, ("body/horn/earth", "high resistance")) for _ in range(2)]
    before = sum(row.count for row in Tally.objects.all())
    trees.move(Platform.objects.get(path="curlew/dunlin"), Platform.objects.get(path="godwit"))
    assert {row.platform for row in Tally.objects.all()} == {"godwit/dunlin"}
    assert sum(row.count for row in Tally.objects.all()) == before
    assert learning.kept() == learning.total_of(closed_cases())
    for job in jobs:
        closing.reopen_job(job, by=second)
        assert learning.kept() == learning.total_of(closed_cases())
    assert not Tally.objects.exists()


def test_tallies_follow_a_component_that_no_procedure_names(horn: Procedure, junior: User, second: User) -> None:
    trees.add(System, key="sound-deadening", name="Sound deadening", parent=System.objects.get(path="body"))
    job = closed_job(horn, junior, ("body/sound-deadening", "in the way"))
    moved = trees.move(System.objects.get(path="body/sound-deadening"), None)
    assert {row.cause for row in Tally.objects.all()} == {"sound-deadening#in the way"}
    assert moved.path == "sound-deadening"
    assert learning.kept() == learning.total_of(closed_cases())
    closing.reopen_job(job, by=second)
    assert not Tally.objects.exists()


def test_a_system_that_a_revision_names_keeps_its_place(horn: Procedure) -> None:
    trees.add(System, key="power", name="Power")
    with pytest.raises(trees.StillInUse) as refused:
        trees.move(System.objects.get(path="body/horn"), System.objects.get(path="power"))
    assert "named by procedures (Horn relay is not called, Horn stays silent)" in str(refused.value)
    assert System.objects.filter(path="body/horn/relay").exists()
