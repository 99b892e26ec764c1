"""A job that came back knows what was repaired and measured before: shown, and weighed."""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.core.diagnosis.belief.comeback import SAME_AGAIN
from shopkb.jobs.actions import intake, noting
from shopkb.jobs.models import Job, Run, Verification
from shopkb.jobs.reasoning import Reasoning, reason
from shopkb.jobs.run_state import run_states_of
from shopkb.jobs.vehicle_history import earlier_jobs
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import TO_GROUND, follow, signed_in, words_of
from tests.conftest import NOW

LATER = NOW + timedelta(days=28)
GROUND = "body/horn/earth#high resistance"


@pytest.fixture
def back(horn: Procedure, junior: User) -> Run:
    """The horn was cured by its earth, and is silent again four weeks later."""
    return builders.start(builders.take_in(junior, comeback_of=cured(horn, junior), at=LATER), horn, junior, at=LATER)


def cured(horn: Procedure, by: User) -> Job:
    run = builders.start(builders.take_in(by), horn, by)
    end = follow(run, TO_GROUND, by)[-1]
    builders.mend(run.job, by, result=end, cause=("body/horn/earth", "high resistance"))
    return builders.closing.close_job(run.job, Job.Disposition.CURED, by=by, at=NOW + timedelta(hours=1))


def thought(job: Job) -> Reasoning:
    found = reason(Job.objects.get(pk=job.pk), run_states_of(job), at=LATER)
    assert found is not None
    return found


def chance(found: Reasoning, cause: str) -> float:
    return next(row.probability for row in found.possible if row.cause == cause)


def test_percentages_begin_with_what_was_repaired_then(back: Run, junior: User) -> None:
    found = thought(back.job)
    assert chance(found, GROUND) == pytest.approx(SAME_AGAIN, abs=0.01)
    assert sum(row.probability for row in found.possible) == pytest.approx(1)
    assert found.earlier is not None
    assert "closed as cured of Horn earth: high resistance" in found.earlier.words
    follow(back, TO_GROUND, junior, at=LATER)
    assert chance(thought(back.job), GROUND) > 0.5


def test_a_comeback_taken_back_starts_afresh(back: Run, horn: Procedure, junior: User) -> None:
    with_it = chance(thought(back.job), GROUND)
    intake.not_a_comeback(back.job, by=junior, at=LATER)
    fresh = thought(back.job)
    assert fresh.earlier is None
    assert chance(fresh, GROUND) != pytest.approx(with_it, abs=0.01)


def test_the_job_page_shows_the_repair_and_its_proof(back: Run, junior: User) -> None:
    page = words_of(signed_in(junior).get(reverse("jobs:job", args=[back.job_id])))
    for words in (
        "Put right then: Horn earth: high resistance",
        "Voltage drop of the ground",
        "0.9 V",
        "Comeback of job",
    ):
        assert words in page, words
    step = words_of(signed_in(junior).get(reverse("jobs:run", args=[back.pk])))
    assert "Percentages begin with job" in step


def test_comebacks_with_a_proven_cause_are_counted(back: Run, horn: Procedure, junior: User) -> None:
    follow(back, TO_GROUND, junior, at=LATER)
    builders.mend(back.job, junior, result=back.results.last(), cause=("body/horn/earth", "high resistance"), at=LATER)
    builders.closing.close_job(back.job, Job.Disposition.CURED, by=junior, at=LATER)
    other = builders.take_in(junior, comeback_of=cured(horn, junior), at=LATER)
    builders.start(other, horn, junior, at=LATER)
    found = thought(other)
    assert found.earlier is not None
    assert (found.earlier.earlier.same, found.earlier.earlier.other) == (1, 0)
    assert chance(found, GROUND) == pytest.approx(2 / 5, abs=0.02)


def test_what_was_put_right_in_vain_is_told_as_that(horn: Procedure, junior: User) -> None:
    run = builders.start(builders.take_in(junior), horn, junior)
    builders.mend(run.job, junior, cured=Verification.Cured.NO)
    builders.mend(run.job, junior, cause=("body/horn/earth", "high resistance"))
    vehicle = run.job.vehicle
    (before,) = earlier_jobs(vehicle, at=NOW)
    assert before.causes == ("Horn: open circuit, not cured", "Horn earth: high resistance")
    page = words_of(signed_in(junior).get(reverse("reports:vehicle", args=[vehicle.pk])))
    assert page.count("not cured") == 1
    assert page.index("open circuit") < page.index("not cured") < page.index("high resistance")


def test_a_fault_that_was_declined_is_told_when_the_vehicle_comes_back(horn: Procedure, junior: User) -> None:
    run = builders.start(builders.take_in(junior), horn, junior)
    end = follow(run, TO_GROUND, junior)[-1]
    builders.mend(run.job, junior, result=end, cause=("body/horn/earth", "high resistance"))
    found = noting.note_finding(run.job, "Tyre worn.", by=junior, at=NOW, client_id=uuid.uuid4())
    noting.settle_finding(found, noting.How.DECLINED, by=junior, at=NOW, client_id=uuid.uuid4())
    closed = builders.closing.close_job(run.job, Job.Disposition.CURED, by=junior, at=NOW + timedelta(hours=1))
    again = builders.take_in(junior, comeback_of=closed, at=LATER)
    page = words_of(signed_in(junior).get(reverse("jobs:job", args=[again.pk])))
    assert "Still on this vehicle? Tyre worn.: declined by the customer" in page


def test_what_put_another_fault_right_is_told_beside_what_cured(horn: Procedure, junior: User) -> None:
    """The vehicle came for one fault and left with two repairs; whoever has it back reads both."""
    run = builders.start(builders.take_in(junior), horn, junior)
    end = follow(run, TO_GROUND, junior)[-1]
    builders.mend(run.job, junior, result=end, cause=("body/horn/earth", "high resistance"))
    found = noting.note_finding(run.job, "The feed loses voltage.", by=junior, at=NOW, client_id=uuid.uuid4())
    feed = builders.mend(run.job, junior, cause=("body/horn/relay", "burnt contacts"))
    noting.settle_finding(
        found, noting.How.REPAIRED, by=junior, at=NOW, client_id=uuid.uuid4(), repair=feed
    )  # fmt: skip
    closed = builders.closing.close_job(run.job, Job.Disposition.CURED, by=junior, at=NOW + timedelta(hours=1))
    again = builders.take_in(junior, comeback_of=closed, at=LATER)
    page = words_of(signed_in(junior).get(reverse("jobs:job", args=[again.pk])))
    assert "Put right then: Horn earth: high resistance" in page
    assert f"Another fault put right then: {feed.cause}" in page
    assert page.index("Put right then") < page.index("Another fault put right then")
