"""Repairs, verifying, closing, reopening: what each refuses, and what closed jobs then say (laws 6 and 7)."""

from __future__ import annotations

import uuid
from dataclasses import replace

import pytest
from django.urls import reverse

from shopkb.accounts.models import User
from shopkb.catalog.cause_registry import cause_for
from shopkb.core.flow.model import Proof
from shopkb.evidence import learning
from shopkb.jobs.actions import closing, following, repairing
from shopkb.jobs.actions.repairing import RepairDetails
from shopkb.jobs.closed_jobs import closed_cases
from shopkb.jobs.errors import IdempotencyConflict, NotPossible
from shopkb.jobs.models import Job, Repair, Run, Verification
from shopkb.jobs.proofs import NamedCause, causes_named
from shopkb.jobs.run_state import run_states_of
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import TO_GROUND, TO_HORN, TO_OUT, TO_RELAY, follow, mend
from tests.conftest import NOW

D = Job.Disposition
HORN_OPEN = "body/horn/horn#open circuit"
GROUND = "body/horn/earth#high resistance"


def done(**changes: object) -> RepairDetails:
    cause = cause_for("body/horn/horn", "open circuit")
    told = RepairDetails(cause, Proof.MEASURED, "Fitted a new horn.", uuid.uuid4())
    return replace(told, **changes)  # type: ignore[arg-type]


# Repairs


def test_a_repair_is_kept(job: Job, junior: User) -> None:
    burnt = cause_for("body/horn/relay", "burnt contacts")
    told = done(parts=" horn ", minutes=15, also_found=" wet plug ", also=[burnt])
    repair = repairing.record_repair(job, told, by=junior, at=NOW)
    assert (repair.parts, repair.minutes, repair.also_found, list(repair.also.all())) == (
        "horn",
        15,
        "wet plug",
        [burnt],
    )


def test_a_repair_says_what_was_done(job: Job, junior: User) -> None:
    with pytest.raises(NotPossible) as refused:
        repairing.record_repair(job, done(correction="  "), by=junior, at=NOW)
    assert str(refused.value) == "Say what was done to put it right."


def test_the_same_repair_twice_is_one_even_after_closing(job: Job, junior: User) -> None:
    told = done()
    one = repairing.record_repair(job, told, by=junior, at=NOW)
    closing.close_job(job, D.NOT_CHECKED, by=junior, at=NOW)
    assert repairing.record_repair(job, told, by=junior, at=NOW) == one
    assert Repair.objects.count() == 1


@pytest.mark.parametrize(
    "change",
    [{"correction": "Hit it."}, {"proof": Proof.SEEN}, {"parts": "horn"}, {"minutes": 3}, {"also_found": "water"}],
    ids=lambda change: "-".join(change),
)
def test_a_repair_sent_before_with_another_content_is_refused(
    job: Job, junior: User, change: dict[str, object]
) -> None:
    told = done()
    repairing.record_repair(job, told, by=junior, at=NOW)
    with pytest.raises(IdempotencyConflict) as refused:
        repairing.record_repair(job, replace(told, **change), by=junior, at=NOW)  # type: ignore[arg-type]
    assert str(refused.value) == (
        "This repair was sent before with another content. Reload the page and enter it again."
    )


def test_a_repair_stands_on_a_result_of_its_own_job(job: Job, horn: Procedure, junior: User) -> None:
    other = follow(builders.start(builders.take_in(junior), horn, junior), TO_HORN, junior)[-1]
    with pytest.raises(NotPossible) as refused:
        repairing.record_repair(job, done(result=other), by=junior, at=NOW)
    assert str(refused.value) == "This result is of another job. Open the repair from the job it belongs to."


def test_a_closed_job_takes_no_repair_and_no_verification(job: Job, junior: User) -> None:
    repair = mend(job, junior, cured=None)
    closing.close_job(job, D.NOT_CHECKED, by=junior, at=NOW)
    said = f"Job {job.pk} is closed. Reopen it first."
    with pytest.raises(NotPossible) as refused:
        repairing.record_repair(job, done(), by=junior, at=NOW)
    assert str(refused.value) == said
    with pytest.raises(NotPossible) as refused:
        repairing.verify_repair(repair, Verification.Cured.YES, how="x", by=junior, at=NOW, client_id=uuid.uuid4())
    assert str(refused.value) == said


@pytest.mark.parametrize(("how", "told"), [(D.DECLINED, True), (D.UNSOLVED, True), (D.CURED, False)])
def test_why_testing_was_left_is_on_the_paper_of_a_vehicle_that_goes_without_a_cure(
    job: Job, horn: Procedure, junior: User, how: Job.Disposition, told: bool
) -> None:
    """Whoever has the vehicle next must know what is off; of one that was cured it is the shop's own."""
    why = "Towed away, horn is out and in the boot."
    following.stop_run(builders.start(job, horn, junior), by=junior, at=NOW, why=why)
    builders.start(job, horn, junior)
    if how == D.CURED:
        mend(job, junior)
    closing.close_job(job, how, by=junior, at=NOW)
    page = builders.words_of(builders.signed_in(junior).get(reverse("jobs:write-up", args=[job.pk])))
    assert (f"Testing was left before its end: {why}" in page) is told
    assert "The job was closed." not in page


@pytest.mark.django_db(transaction=True)
def test_ten_at_once_store_one_repair_and_one_verification(job: Job, junior: User) -> None:
    told, sent = done(), uuid.uuid4()
    repairs = builders.all_at_once(10, lambda _n: repairing.record_repair(job, told, by=junior, at=NOW).pk)
    repair = Repair.objects.get()
    assert repairs == [repair.pk] * 10

    def verify(_number: int) -> int:
        return repairing.verify_repair(repair, Verification.Cured.YES, how="x", by=junior, at=NOW, client_id=sent).pk

    assert builders.all_at_once(10, verify) == [Verification.objects.get().pk] * 10


# Verifying


@pytest.mark.parametrize("cured", [Verification.Cured.YES, Verification.Cured.NO])
def test_a_cure_or_its_lack_says_how_it_was_found_out(job: Job, junior: User, cured: Verification.Cured) -> None:
    repair = mend(job, junior, cured=None)
    with pytest.raises(NotPossible) as refused:
        repairing.verify_repair(repair, cured, how=" ", by=junior, at=NOW, client_id=uuid.uuid4())
    assert str(refused.value) == "Say how it was checked: the conditions of the complaint, repeated."


def test_the_same_verification_twice_is_one(job: Job, junior: User) -> None:
    repair, sent = mend(job, junior, cured=None), uuid.uuid4()

    def verify(cured: Verification.Cured, how: str = "Ten times.") -> Verification:
        return repairing.verify_repair(repair, cured, how=how, by=junior, at=NOW, client_id=sent)

    assert verify(Verification.Cured.YES) == verify(Verification.Cured.YES)
    assert repair.verifications.count() == 1
    for other in (lambda: verify(Verification.Cured.NO), lambda: verify(Verification.Cured.YES, "Once.")):
        with pytest.raises(IdempotencyConflict) as refused:
            other()
        assert str(refused.value) == "This was sent before with another answer. Reload the page."


def test_not_cured_rules_out_and_the_job_goes_on(job: Job, horn: Procedure, junior: User) -> None:
    run = builders.start(job, horn, junior)
    end = follow(run, TO_RELAY, junior)[-1]
    repair = mend(job, junior, result=end, cause=("body/horn/relay", "burnt contacts"), cured=Verification.Cured.NO)
    assert closing.ruled_out(job) == [repair]
    follow(run, [("supply", "full", "12.5"), *TO_GROUND[2:]], junior)
    assert [end.identity for end in causes_named(run_states_of(job))] == [GROUND]
    assert run.results.count() == 4
    job.refresh_from_db()
    assert job.is_open


def test_the_latest_verification_counts(job: Job, junior: User) -> None:
    repair = mend(job, junior, cured=Verification.Cured.NO)
    repairing.verify_repair(
        repair, Verification.Cured.YES, how="After a drive.", by=junior, at=NOW, client_id=uuid.uuid4()
    )
    assert closing.ruled_out(job) == []
    closing.close_job(job, D.CURED, by=junior, at=NOW)


def test_ends_named_are_those_that_count_newest_first(job: Job, horn: Procedure, junior: User) -> None:
    run = builders.start(job, horn, junior)
    follow(run, TO_RELAY, junior)
    last = follow(run, [("supply", "full", "12.5"), ("ground", "bad", "1")], junior)[-1]
    assert causes_named(run_states_of(job)) == [NamedCause(last, GROUND, "measured")]
    other = builders.start(job, horn, junior)
    newest = follow(other, TO_HORN, junior)[-1]
    assert causes_named(run_states_of(job)) == [
        NamedCause(newest, HORN_OPEN, "substituted"), NamedCause(last, GROUND, "measured")
    ]  # fmt: skip


# Closing


NO_CURE = "To close as cured, record the repair and verify that the complaint is gone."
NO_REPAIR = "No repair is recorded on this job. Record it, or close it another way."
A_CURE = (
    "A repair on this job is verified as the cure. Close it as cured; or, if the complaint is there again, verify the "
    "repair again first."
)
A_REPAIR = "A repair is recorded on this job, so it cannot be closed as nothing repaired."


@pytest.mark.parametrize(
    ("recorded", "disposition", "said"),
    [
        ("nothing", D.CURED, NO_CURE),
        ("unverified", D.CURED, NO_CURE),
        ("not-cured", D.CURED, NO_CURE),
        ("not-checked", D.CURED, NO_CURE),
        ("cured", D.CURED, ""),
        ("nothing", D.NOT_CHECKED, NO_REPAIR),
        ("unverified", D.NOT_CHECKED, ""),
        ("not-checked", D.NOT_CHECKED, ""),
        ("nothing", D.NOT_PRESENT, ""),
        ("unverified", D.NOT_PRESENT, A_REPAIR),
        ("cured", D.NOT_PRESENT, A_CURE),
        ("nothing", D.DECLINED, ""),
        ("nothing", D.SENT_ELSEWHERE, ""),
        ("not-cured", D.SENT_ELSEWHERE, ""),
        ("nothing", D.UNSOLVED, ""),
        ("not-cured", D.UNSOLVED, ""),
        ("cured", D.UNSOLVED, A_CURE),
        ("cured", D.NOT_CHECKED, A_CURE),
        ("cured", D.DECLINED, A_CURE),
        ("cured", D.SENT_ELSEWHERE, A_CURE),
    ],
)
def test_each_disposition_fits_what_was_recorded(
    job: Job, junior: User, recorded: str, disposition: Job.Disposition, said: str
) -> None:
    builders.prepare(job, recorded, junior)
    if said:
        with pytest.raises(NotPossible) as refused:
            closing.close_job(job, disposition, by=junior, at=NOW)
        assert str(refused.value) == said
    else:
        closing.close_job(job, disposition, by=junior, at=NOW, note=" Thanked us. ")
    job.refresh_from_db()
    told = (job.is_open, job.disposition, job.closed_by, job.closed_at, job.closing_note)
    closed = (False, disposition, junior, NOW, "Thanked us.")
    assert told == ((True, "", None, None, "") if said else closed)


def test_closing_twice_the_same_way_teaches_once(horn: Procedure, junior: User) -> None:
    job = builders.cured_job(horn, junior)
    before = learning.kept()
    assert closing.close_job(job, D.CURED, by=junior, at=NOW) == job
    assert learning.kept() == before
    with pytest.raises(NotPossible) as refused:
        closing.close_job(job, D.UNSOLVED, by=junior, at=NOW)
    assert str(refused.value) == f"Job {job.pk} is closed already: cured and verified."


def test_closing_leaves_the_runs_under_way(job: Job, horn: Procedure, junior: User) -> None:
    ended, open_run = builders.start(job, horn, junior), builders.start(job, horn, junior)
    follow(ended, TO_OUT, junior)
    closing.close_job(job, D.UNSOLVED, by=junior, at=NOW)
    told = [(run.state, run.stopped_why) for run in Run.objects.order_by("pk")]
    assert told == [(Run.State.ENDED, ""), (Run.State.STOPPED, "The job was closed.")]
    assert open_run.job_id == job.pk


@pytest.mark.django_db(transaction=True)
def test_ten_closing_at_once_teach_once(job: Job, horn: Procedure, junior: User) -> None:
    follow(builders.start(job, horn, junior), TO_OUT, junior)
    outcomes = builders.all_at_once(10, lambda _n: closing.close_job(job, D.UNSOLVED, by=junior, at=NOW).pk)
    assert outcomes == [job.pk] * 10
    assert [part.count for part in learning.kept().values()] == [1, 1]


# One transaction


def test_a_failing_lesson_leaves_the_job_open(
    job: Job, horn: Procedure, junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    follow(builders.start(job, horn, junior), TO_HORN, junior)

    def broken(*_cases: object) -> None:
        learning.EvidenceLock.objects.create(name="half done")
        raise RuntimeError("disk full")

    monkeypatch.setattr(closing, "learn", broken)
    with pytest.raises(RuntimeError, match="disk full"):
        closing.close_job(job, D.UNSOLVED, by=junior, at=NOW)
    job.refresh_from_db()
    assert job.is_open
    assert not learning.EvidenceLock.objects.filter(name="half done").exists()
    assert [run.state for run in Run.objects.all()] == [Run.State.ENDED]


def test_a_failing_lesson_leaves_the_job_closed_and_its_evidence(
    horn: Procedure, junior: User, senior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = builders.cured_job(horn, junior)
    kept = learning.kept()

    def broken(*_args: object) -> None:
        raise RuntimeError("disk full")

    monkeypatch.setattr(learning, "_apply", broken)
    with pytest.raises(RuntimeError, match="disk full"):
        closing.reopen_job(job, by=senior)
    with pytest.raises(RuntimeError, match="disk full"):
        builders.take_in(junior, comeback_of=job)
    job.refresh_from_db()
    assert not job.is_open
    assert Job.objects.count() == 1
    assert learning.kept() == kept == learning.total_of(closed_cases())
