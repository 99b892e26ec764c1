"""What a closed, reopened or returned job says to learning, by hand (law 7)."""

from __future__ import annotations

import pytest
from django.core.exceptions import PermissionDenied

from shopkb.accounts.models import User
from shopkb.core.diagnosis.counting.positions import positions
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums
from shopkb.evidence import learning
from shopkb.evidence.procedure_record import records
from shopkb.jobs.actions import closing
from shopkb.jobs.closed_jobs import case_of
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import Job, Verification
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from tests import builders
from tests.builders import TO_HORN, TO_RELAY, follow, mend
from tests.conftest import NOW
from tests.evidence.unpooled import branch_notes, tallies

D = Job.Disposition
HORN_OPEN = "body/horn/horn#open circuit"
GROUND = "body/horn/earth#high resistance"


def sums(kept: dict[TallyKey, TallySums], step: str, outcome: str) -> dict[str, TallySums]:
    """The tallies of one branch, by confirmed cause."""
    return {key.cause: part for key, part in kept.items() if (key.step, key.outcome) == (step, outcome)}


# What a closed job says (law 7), by hand


def test_a_cured_job_speaks_for_its_cause_on_every_branch(horn: Procedure, junior: User) -> None:
    """One job: press, supply, ground, direct at 60 s each. 3600 is 60 squared; the whole took 240 s."""
    job = builders.cured_job(horn, junior)
    place = positions(flow_of(job.runs.get().revision))
    once = TallySums(count=1, timed=1, seconds=60, seconds_squared=3600, cured_first=1)
    whole = TallySums(count=1, timed=1, seconds=240, seconds_squared=57600, cured_first=1)
    expected = {
        TallyKey(
            "horn-silent", step, outcome, HORN_OPEN, "measured", "curlew/dunlin", "2026-03", place.get(step, "")
        ): part
        for step, outcome, part in (
            ("press", "click", once),
            ("supply", "full", once),
            ("ground", "good", once),
            ("direct", "silent", once),
            ("", "", whole),
        )
    }
    assert learning.kept() == expected
    assert records(["horn-silent"])["horn-silent"].verified == 1


@pytest.mark.parametrize(
    ("recorded", "disposition"),
    [
        ("unverified", D.NOT_CHECKED),
        ("not-cured", D.UNSOLVED),
        ("nothing", D.DECLINED),
        ("nothing", D.SENT_ELSEWHERE),
        ("nothing", D.NOT_PRESENT),
    ],
)
def test_closed_otherwise_it_adds_traffic_never_success(
    job: Job, horn: Procedure, junior: User, recorded: str, disposition: Job.Disposition
) -> None:
    run = builders.start(job, horn, junior)
    follow(run, TO_HORN, junior)
    builders.prepare(job, recorded, junior)
    closing.close_job(job, disposition, by=junior, at=NOW)
    kept = learning.kept()
    assert {key.cause for key in kept} == {""}
    assert sums(kept, "supply", "full") == {"": TallySums(1, 1, 60, 3600)}
    note = branch_notes(flow_of(run.revision), tallies("horn-silent"))[("supply", "full")]
    assert (note.jobs, note.successes, note.traffic, note.low, note.high) == (0, 0, 1, None, None)
    record = records(["horn-silent"])["horn-silent"]
    assert (record.jobs, record.verified, record.minutes) == (1, 0, 4.0)


def test_an_open_job_says_nothing(job: Job, horn: Procedure, junior: User) -> None:
    follow(builders.start(job, horn, junior), TO_HORN, junior)
    mend(job, junior)
    assert case_of(job) is None
    assert learning.kept() == {}


def test_only_standing_results_are_counted(job: Job, horn: Procedure, junior: User) -> None:
    run = builders.start(job, horn, junior)
    follow(run, [*TO_RELAY, ("supply", "full", "12.5"), ("ground", "bad", "0.9")], junior)
    mend(job, junior, cause=("body/horn/earth", "high resistance"))
    closing.close_job(job, D.CURED, by=junior, at=NOW)
    kept = learning.kept()
    assert sums(kept, "supply", "weak") == {}
    assert [part.count for part in sums(kept, "supply", "full").values()] == [1]


def test_a_skip_is_counted_as_a_skip(job: Job, horn: Procedure, junior: User) -> None:
    run = builders.start(job, horn, junior)
    closing_way = builders.say(run, "press", skipped="no-time", onward="click")
    builders.following.record(run, closing_way, by=junior, at=NOW)
    closing.close_job(job, D.UNSOLVED, by=junior, at=NOW)
    assert {(key.step, key.outcome) for key in learning.kept()} == {("press", "skip:no-time"), ("", "")}


def test_a_false_lead_is_counted_where_it_was_named(job: Job, horn: Procedure, junior: User) -> None:
    run = builders.start(job, horn, junior)
    end = follow(run, TO_RELAY, junior)[-1]
    relay = ("body/horn/relay", "burnt contacts")
    mend(job, junior, result=end, cause=relay, cured=Verification.Cured.NO)
    mend(job, junior)
    closing.close_job(job, D.CURED, by=junior, at=NOW)
    weak = sums(learning.kept(), "supply", "weak")
    assert {part.cured_first for part in weak.values()} == {0}, "the second repair cured it"
    assert {cause: (part.count, part.rejected) for cause, part in weak.items()} == {HORN_OPEN: (1, 0), "": (0, 1)}


# Reopening and comebacks


def test_reopening_takes_everything_back(horn: Procedure, junior: User, senior: User) -> None:
    before = learning.kept()
    job = builders.cured_job(horn, junior)
    assert learning.kept() != before
    closing.reopen_job(job, by=senior)
    assert learning.kept() == before == {}
    job.refresh_from_db()
    assert (job.is_open, job.disposition, job.closed_by, job.closed_at) == (True, "", None, None)
    with pytest.raises(NotPossible) as refused:
        closing.reopen_job(job, by=senior)
    assert str(refused.value) == f"Job {job.pk} is open already."


def test_a_technician_reopens_nothing(horn: Procedure, junior: User) -> None:
    job = builders.cured_job(horn, junior)
    with pytest.raises(PermissionDenied) as refused:
        closing.reopen_job(job, by=junior)
    assert str(refused.value) == (
        "Your role does not let you reopen closed jobs. These roles may: writer, manager, keeper."
    )


def test_a_comeback_takes_back_the_success(horn: Procedure, junior: User) -> None:
    """The first job stays as traffic, its cause is kept as come back, and its end becomes a false lead."""
    first = builders.cured_job(horn, junior)
    builders.take_in(junior, comeback_of=first)
    kept = learning.kept()
    assert sums(kept, "direct", "silent") == {
        "": TallySums(count=1, timed=1, seconds=60, seconds_squared=3600, rejected=1),
        HORN_OPEN: TallySums(came_back=1),
    }
    assert sums(kept, "press", "click") == {"": TallySums(1, 1, 60, 3600), HORN_OPEN: TallySums(came_back=1)}
    record = records(["horn-silent"])["horn-silent"]
    assert (record.jobs, record.verified) == (1, 0)
    case = case_of(first)
    assert case is not None
    assert (case.cause, case.claimed, case.came_back, case.verified) == ("", HORN_OPEN, True, False)


def test_a_job_that_came_back_is_not_reopened(horn: Procedure, junior: User, senior: User) -> None:
    first = builders.cured_job(horn, junior)
    later = builders.take_in(junior, comeback_of=first)
    with pytest.raises(NotPossible) as refused:
        closing.reopen_job(first, by=senior)
    assert str(refused.value) == f"Job {later.pk} is a comeback of Job {first.pk}; go on there."
