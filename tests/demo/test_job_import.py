"""The bulk door stores what the one-by-one doors would have stored, and teaches the same (laws 3, 6 and 7).

The witness is the one-by-one doors themselves: the same invented jobs go through both.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from shopkb.accounts.models import User
from shopkb.catalog.cause_registry import cause_for
from shopkb.catalog.models import Meter, Platform, Symptom
from shopkb.core.diagnosis.counting.tallies import TallyKey
from shopkb.core.flow.model import Proof
from shopkb.demo.job_import import ImportCount, import_past_jobs
from shopkb.demo.past_jobs import PastJob, PastRepair, PastResult, PastRun, PastValue
from shopkb.evidence.learning import kept, rebuild, total_of
from shopkb.jobs.actions.closing import close_job
from shopkb.jobs.actions.confirming import DangerConfirmation, pass_danger
from shopkb.jobs.actions.following import record, record_value, start_run, stop_run
from shopkb.jobs.actions.intake import Intake, open_job
from shopkb.jobs.actions.noting import How, settle_finding
from shopkb.jobs.actions.repairing import RepairDetails, record_repair, verify_repair
from shopkb.jobs.answering import Answer
from shopkb.jobs.closed_jobs import closed_cases
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import DangerPassed, Job, PutBack, Repair, Result, Run, RunValue, Vehicle, Verification
from shopkb.jobs.vehicle_state import confirm_back, off_on
from shopkb.procedures.models import Procedure
from tests.builders import TO_GROUND
from tests.conftest import NOW
from tests.demo import invented

GROUND = "body/horn/earth#high resistance"


def store(jobs: Sequence[PastJob], keeper: User, chunk: int = 400) -> ImportCount:
    return list(import_past_jobs(jobs, by=keeper, chunk=chunk))[-1]


def minutes(number: float) -> Any:
    return NOW + timedelta(minutes=number)


def horn_job(way: Sequence[tuple[str, str, str]] = TO_GROUND, *, day: int = 0, **changes: Any) -> PastJob:
    """A past job that followed the horn procedure and was cured by mending the ground."""
    later = timedelta(days=day)
    results = tuple(
        PastResult(step, minutes(number) + later, "junior", outcome, typed=typed, meter="pocket" if typed else "")
        for number, (step, outcome, typed) in enumerate(way, start=2)
    )
    values = (PastValue("battery", "12.6", minutes(1) + later, "junior"),)
    repair = PastRepair(
        cause=GROUND, proof=Proof.MEASURED, correction="Joint remade.", at=minutes(30) + later, who="junior",
        cured="cured", verified_at=minutes(35) + later, how="Ten times.", found_at=(0, len(way) - 1), minutes=20,
    )  # fmt: skip
    past = PastJob(
        client_id=uuid.uuid4(), registration="SB 9001", platform="curlew/dunlin", complaint="No horn.",
        opened_at=NOW + later, opened_by="junior", closed_at=minutes(40) + later, closed_by="junior",
        disposition="cured", runs=(PastRun("horn-silent", "junior", minutes(1) + later, results, values),),
        repairs=(repair,),
    )  # fmt: skip
    return replace(past, **changes)


def sums(tallies: dict[TallyKey, Any], cause: str) -> tuple[int, int]:
    """Jobs, and jobs that came back, of the horn procedure as a whole under this cause."""
    whole = [part for key, part in tallies.items() if (key.step, key.cause) == ("", cause)]
    return sum(part.count for part in whole), sum(part.came_back for part in whole)


# The same as one by one


def through_the_doors(past: PastJob, people: dict[str, User], stored: dict[uuid.UUID, Job]) -> Job:
    by, at = people[past.opened_by], past.opened_at
    intake = Intake(
        registration=past.registration,
        platform=Platform.objects.get(path=past.platform),
        complaint=past.complaint,
        client_id=past.client_id,
        vin=past.vin,
        year=past.year,
        circumstances=past.circumstances,
        symptom=Symptom.objects.get(key=past.symptom),
        codes=past.codes,
        odometer=past.odometer,
        complaint_verified=Job.Verified(past.complaint_verified),
        comeback_of=stored[past.comeback_of] if past.comeback_of else None,
    )
    job = open_job(intake, by=by, at=at)
    runs: list[Run] = []
    rows = [follow(job, run, by, runs) for run in past.runs]
    for said in past.repairs:
        found = rows[said.found_at[0]][said.found_at[1]] if said.found_at else None
        done = RepairDetails(
            cause_for(*said.cause.split("#")), said.proof, said.correction, uuid.uuid4(), found, said.parts,
            said.minutes, said.also_found, [cause_for(*identity.split("#")) for identity in said.also],
        )  # fmt: skip
        repair = record_repair(job, done, by=by, at=said.at)
        cured = Verification.Cured(said.cured)
        verify_repair(repair, cured, how=said.how, by=by, at=said.verified_at, client_id=uuid.uuid4())
    off = off_on(job)
    for run in {each.run.pk: each.run for each in off}.values():
        confirm_back(run, [each.part for each in off], by=by, at=past.closed_at)
    settle_findings(job, by, past)
    return close_job(job, Job.Disposition(past.disposition), by=by, at=past.closed_at, note=past.closing_note)


def settle_findings(job: Job, by: User, past: PastJob) -> None:
    """What past jobs do not tell: the repair that cured put right what was met on the way to it."""
    cured = job.repairs.verified_as(Verification.Cured.YES).last()  # type: ignore[attr-defined]
    for finding in job.open_findings:
        how, words = (How.REPAIRED, "") if cured else (How.EXPLAINED, "Not told.")
        settle_finding(
            finding, how, by=by, at=past.closed_at, client_id=uuid.uuid4(), words=words, repair=cured
        )  # fmt: skip


def follow(job: Job, said: PastRun, by: User, runs: list[Run]) -> list[Result]:
    procedure, before = Procedure.objects.get(key=said.procedure), said.came_from
    came_from = None if before is None else runs[before]
    run = start_run(job, procedure, by=by, at=said.started_at, client_id=uuid.uuid4(), came_from=came_from)
    runs.append(run)
    for value in said.values:
        record_value(run, value.key, value.typed, by=by, at=value.at, client_id=uuid.uuid4())
    rows = []
    for result in said.results:
        for danger in said.dangers:
            if danger.step == result.step and danger.at <= result.at:
                passing = DangerConfirmation(
                    danger.step, danger.caution, danger.shown_seconds, uuid.uuid5(run.client_id, str(danger))
                )
                pass_danger(run, passing, by=by, at=danger.at)
        answer = Answer(
            result.step, uuid.uuid4(), result.outcome, result.skipped, result.onward, result.typed,
            meter=Meter.objects.get(key=result.meter) if result.meter else None, override_why=result.override_why,
        )  # fmt: skip
        rows.append(record(run, answer, by=by, at=result.at).result)
    if said.stopped_why:
        stop_run(run, by=by, at=said.results[-1].at if said.results else said.started_at, why=said.stopped_why)
    return rows


def plain(rows: Any, *, without: Sequence[str] = ("id", "client_id")) -> list[dict[str, Any]]:
    """Rows without their numbers; links become the place of the row they name."""
    return [{name: value for name, value in row.items() if name not in without} for row in rows.values()]


def places(rows: Any, link: str) -> list[Any]:
    """For each row, what its link names in words that do not hang on row numbers."""
    return [value for (value,) in rows.values_list(link)]


def put_back() -> list[tuple[Any, ...]]:
    """What was put back, and after how many answers of the shop; numbers of rows differ from one making to the next."""
    nth = {pk: place for place, pk in enumerate(Result.objects.order_by("run_id", "id").values_list("pk", flat=True))}
    rows = PutBack.objects.values_list("run__started_at", "part", "who", "at", "after")
    return sorted((*row, nth.get(after, -1)) for *row, after in rows)


def everything() -> dict[str, Any]:
    links = (
        "id",
        "client_id",
        "job_id",
        "run_id",
        "vehicle_id",
        "repair_id",
        "result_id",
        "replaces_id",
        "came_from_id",
    )
    return {
        "vehicles": plain(Vehicle.objects.order_by("registration")),
        "jobs": plain(Job.objects.order_by("id"), without=(*links, "comeback_of_id")),
        "comebacks": places(Job.objects.order_by("id"), "comeback_of__client_id"),
        "runs": plain(Run.objects.order_by("id"), without=links),
        "jobs of runs": places(Run.objects.order_by("id"), "job__client_id"),
        "handed over": places(Run.objects.order_by("id"), "came_from__started_at"),
        "values": plain(RunValue.objects.order_by("run_id", "id"), without=links),
        "results": plain(Result.objects.order_by("run_id", "id"), without=links),
        "replaced": places(Result.objects.order_by("run_id", "id"), "replaces__at"),
        "repairs": plain(Repair.objects.order_by("job_id", "id"), without=links),
        "where found": places(Repair.objects.order_by("job_id", "id"), "result__at"),
        "also": list(Repair.also.through.objects.order_by("repair__at", "cause_id").values_list("repair__at", "cause")),
        "verifications": plain(Verification.objects.order_by("id"), without=links),
        # Which wording was shown is not known of jobs of the past.
        "dangers": plain(DangerPassed.objects.order_by("run_id", "id"), without=(*links, "wording")),
        "put back": put_back(),
        "tallies": kept(),
    }


@pytest.fixture
def people(db: None) -> dict[str, User]:
    names = [person.name for person in invented.truth().technicians]
    return {name: User.objects.create(username=name, role="technician") for name in names}


@pytest.fixture
def told(catalog: None, senior: User, second: User) -> None:
    """The procedures that the invented jobs follow."""
    invented.put_in_force(senior, second)


def telling_jobs() -> list[PastJob]:
    """Invented jobs with comebacks, wrong repairs, steps left out and steps done again, and some plain ones."""
    jobs = [made.past for made in invented.simulated(260)]
    came_back = [past for past in jobs if past.comeback_of][:2]
    wrong = [past for past in jobs if len(past.repairs) > 1][:4]
    again = [past for past in jobs if len({row.step for row in past.runs[0].results}) < len(past.runs[0].results)][:3]
    with_also = [past for past in jobs if any(repair.also for repair in past.repairs)][:2]
    left_out = [past for past in jobs if any(row.skipped for row in past.runs[0].results)][:2]
    handed_over = [past for past in jobs if len(past.runs) > 1][:3]
    wanted = {past.client_id for past in (*came_back, *handed_over, *wrong, *again, *with_also, *left_out, *jobs[:4])}
    wanted |= {past.comeback_of for past in jobs if past.comeback_of and past.client_id in wanted}
    return [past for past in jobs if past.client_id in wanted]


def test_same_as_one_by_one(told: None, people: dict[str, User], keeper: User) -> None:
    jobs = telling_jobs()
    with transaction.atomic():
        stored: dict[uuid.UUID, Job] = {}
        for past in jobs:
            stored[past.client_id] = through_the_doors(past, people, stored)
        one_by_one = everything()
        transaction.set_rollback(True)
    assert not Job.objects.exists()
    done = store(jobs, keeper)
    at_once = everything()
    assert done.jobs == len(jobs)
    assert done.results == len(one_by_one["results"])
    for part, rows in one_by_one.items():
        assert at_once[part] == rows, part
    # The jobs chosen do hold what is hard to get right.
    assert any(part is not None for part in at_once["replaced"])
    assert any(row["skipped"] for row in at_once["results"])
    assert any(part is not None for part in at_once["comebacks"])
    assert at_once["also"]
    assert any(part is not None for part in at_once["handed over"])
    assert at_once["dangers"]
    assert at_once["put back"]
    assert [off for job in Job.objects.all() for off in off_on(job)] == []
    assert {row["cured"] for row in at_once["verifications"]} >= {"cured", "not-cured"}


@pytest.mark.parametrize("chunk", [5, 1000])
def test_evidence_is_what_a_rebuild_counts(told: None, people: dict[str, User], keeper: User, chunk: int) -> None:
    jobs = [made.past for made in invented.simulated(110, 5)]
    store(jobs, keeper, chunk)
    added_up = kept()
    assert added_up == total_of(closed_cases())
    rebuild(closed_cases())
    assert kept() == added_up
    assert any(sums.came_back for sums in added_up.values())
    assert any(sums.rejected for sums in added_up.values())


def test_numbers_follow_time(told: None, people: dict[str, User], keeper: User) -> None:
    store([made.past for made in invented.simulated(260)[:40]], keeper, 15)
    opened = list(Job.objects.order_by("pk").values_list("opened_at", flat=True))
    assert opened == sorted(opened)
    for run in Run.objects.prefetch_related("results"):
        times = [row.at for row in sorted(run.results.all(), key=lambda row: row.pk)]
        assert times == sorted(times)


# Comebacks


@pytest.mark.parametrize("chunk", [1, 10])
def test_a_comeback_takes_the_success_back(horn: Procedure, junior: User, keeper: User, chunk: int) -> None:
    first = horn_job()
    again = horn_job(day=9, comeback_of=first.client_id, disposition="unsolved", repairs=())
    store([first], keeper)
    assert sums(kept(), GROUND) == (1, 0)
    store([first, again], keeper, chunk)
    assert sums(kept(), GROUND) == (0, 1)
    assert sums(kept(), "") == (2, 0)
    assert kept() == total_of(closed_cases())
    assert Job.objects.get(client_id=again.client_id).comeback_of == Job.objects.get(client_id=first.client_id)


def test_a_comeback_in_the_same_chunk(horn: Procedure, junior: User, keeper: User) -> None:
    first = horn_job()
    store([first, horn_job(day=9, comeback_of=first.client_id)], keeper)
    assert sums(kept(), GROUND) == (1, 1)
    assert kept() == total_of(closed_cases())


def test_a_comeback_needs_its_job(horn: Procedure, junior: User, keeper: User) -> None:
    with pytest.raises(NotPossible) as caught:
        store([horn_job(comeback_of=uuid.uuid4())], keeper)
    assert str(caught.value) == (
        "The past job of SB 9001, opened 2026-03-02 09:00: the job that it came back from is not stored. "
        "Store that one first."
    )
    assert not Job.objects.exists()


def test_a_comeback_is_the_same_vehicle(horn: Procedure, junior: User, keeper: User) -> None:
    first = horn_job()
    store([first], keeper)
    stored = Job.objects.get()
    with pytest.raises(NotPossible) as caught:
        store([horn_job(day=2, registration="SB 9002", comeback_of=first.client_id)], keeper)
    assert str(caught.value) == (
        f"The past job of SB 9002, opened 2026-03-04 09:00: Job {stored.pk} was another vehicle (SB 9001)."
    )


def test_a_comeback_comes_after_closing(horn: Procedure, junior: User, keeper: User) -> None:
    first = horn_job()
    with pytest.raises(NotPossible) as caught:
        store([first, horn_job(comeback_of=first.client_id)], keeper)
    assert str(caught.value).startswith("The past job of SB 9001, opened 2026-03-02 09:00: Job ")
    assert str(caught.value).endswith(" was not closed yet when it came back.")


# Once, in order, by whoever may


def test_the_same_job_twice_is_one(horn: Procedure, junior: User, keeper: User) -> None:
    jobs = [horn_job(), horn_job(day=1, registration="sb  9001 ")]
    assert store(jobs, keeper) == ImportCount(jobs=2, results=6, duplicates=0)
    before = everything()
    assert store(jobs, keeper) == ImportCount(jobs=0, results=0, duplicates=2)
    assert everything() == before
    assert Vehicle.objects.count() == 1


def test_the_same_job_twice_in_one_chunk_is_one(horn: Procedure, junior: User, keeper: User) -> None:
    job = horn_job()
    assert store([job, job], keeper) == ImportCount(jobs=1, results=3, duplicates=1)
    assert kept() == total_of(closed_cases())


def test_nothing_to_store(horn: Procedure, keeper: User) -> None:
    assert list(import_past_jobs([], by=keeper)) == []


def test_progress_comes_chunk_by_chunk(horn: Procedure, junior: User, keeper: User) -> None:
    jobs = [horn_job(day=day) for day in range(5)]
    assert [done.jobs for done in import_past_jobs(jobs, by=keeper, chunk=2)] == [2, 4, 5]


def test_jobs_are_taken_as_they_are_needed(horn: Procedure, junior: User, keeper: User) -> None:
    taken = []

    def coming() -> Iterator[PastJob]:
        for day in range(6):
            taken.append(day)
            yield horn_job(day=day)

    stored = import_past_jobs(coming(), by=keeper, chunk=2)
    next(stored)
    assert taken == [0, 1]


def test_the_oldest_comes_first(horn: Procedure, junior: User, keeper: User) -> None:
    with pytest.raises(NotPossible) as caught:
        store([horn_job(day=3), horn_job(day=2)], keeper)
    assert str(caught.value) == (
        "The past job of SB 9001, opened 2026-03-04 09:00: it was opened before the one before it. "
        "Give the oldest first."
    )


def test_only_the_keeper_may(horn: Procedure, junior: User, manager: User) -> None:
    with pytest.raises(PermissionDenied) as caught:
        list(import_past_jobs([horn_job()], by=manager))
    assert str(caught.value) == "Your role does not let you run backups and checks. These roles may: keeper."
    assert not Job.objects.exists()


def test_statements_do_not_grow_with_jobs(horn: Procedure, junior: User, keeper: User) -> None:
    def statements(number: int, first_day: int) -> int:
        jobs = [horn_job(day=first_day + day) for day in range(number)]
        with CaptureQueriesContext(connection) as captured:
            store(jobs, keeper)
        return len(captured)

    statements(1, 0)  # remembers the procedure
    few = statements(2, 10)
    # Eight jobs have 24 results: still one statement on SQLite, which takes 999 values.
    assert statements(8, 20) == few


# Refusals


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"closed_at": minutes(-1)}, "It was closed before it was opened."),
        ({"complaint": "  "}, "The complaint is not said."),
        ({"repairs": ()}, "It was closed as cured, and no repair is said to have cured it."),
        ({"repairs": (), "disposition": "not-checked"}, "It was closed as repaired, and no repair is recorded."),
        ({"disposition": "not-present"}, "A repair is said to have cured it, and it was not closed as cured."),
        ({"disposition": "unsolved"}, "A repair is said to have cured it, and it was not closed as cured."),
        ({"platform": "curlew/stint"}, "There is no platform called 'curlew/stint' in this shop."),
        ({"opened_by": "nobody"}, "There is no person called 'nobody' in this shop."),
        ({"symptom": "squeak"}, "There is no symptom called 'squeak' in this shop."),
    ],
)
def test_a_job_that_cannot_be(
    horn: Procedure, junior: User, keeper: User, changes: dict[str, Any], message: str
) -> None:
    with pytest.raises(NotPossible) as caught:
        store([horn_job(**changes)], keeper)
    assert str(caught.value) == f"The past job of SB 9001, opened 2026-03-02 09:00: {message}"
    assert not Job.objects.exists()
    assert kept() == {}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"procedure": "lamp-dim"}, "There is no published procedure called 'lamp-dim' in this shop."),
        ({"started_at": minutes(-9)}, "The procedure horn-silent was not followed while the job was open."),
        ({"results": (PastResult("ground", minutes(3), "junior", "bad", typed="0.9"),)},
         "The result of 'ground' is not on the route taken; 'press' was the step to do."),
        ({"results": (PastResult("press", minutes(3), "junior", "click"),
                      PastResult("supply", minutes(2), "junior", "full", typed="12.4"))},
         "The result of 'supply' is older than the one before it."),
        ({"results": (PastResult("press", minutes(3), "junior", "hums"),)}, "Choose one of the answers offered."),
        ({"results": (PastResult("press", minutes(3), "junior", "click"),
                      PastResult("supply", minutes(4), "junior", "full", typed="3.0"))},
         "The reading gives another answer. Say why you choose this one; both are kept."),
        ({"values": (PastValue("speed", "3", minutes(1), "junior"),)},
         "The procedure horn-silent does not ask for a value called 'speed'."),
        ({"values": (PastValue("battery", "3 V", minutes(1), "junior"),)},
         "3 V is less than can be true here. It is 9 V or more."),
    ],
)  # fmt: skip
def test_a_run_that_cannot_be(
    horn: Procedure, junior: User, keeper: User, changes: dict[str, Any], message: str
) -> None:
    job = horn_job()
    with pytest.raises(NotPossible) as caught:
        store([replace(job, runs=(replace(job.runs[0], **changes),))], keeper)
    assert str(caught.value) == f"The past job of SB 9001, opened 2026-03-02 09:00: {message}"
    assert not Job.objects.exists()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"correction": " "}, "A repair does not say what was done to put it right."),
        ({"how": ""}, "A repair does not say how it was checked."),
        ({"verified_at": minutes(50)}, "A repair and its check do not lie between opening and closing."),
        ({"found_at": (0, 3)}, "A repair names a result that is not recorded."),
    ],
)
def test_a_repair_that_cannot_be(
    horn: Procedure, junior: User, keeper: User, changes: dict[str, Any], message: str
) -> None:
    job = horn_job()
    with pytest.raises(NotPossible) as caught:
        store([replace(job, repairs=(replace(job.repairs[0], **changes),))], keeper)
    assert str(caught.value) == f"The past job of SB 9001, opened 2026-03-02 09:00: {message}"


def test_chunks_before_a_refusal_stay(horn: Procedure, junior: User, keeper: User) -> None:
    jobs = [horn_job(), horn_job(day=1), horn_job(day=2, complaint="")]
    with pytest.raises(NotPossible):
        store(jobs, keeper, 2)
    assert Job.objects.count() == 2
    assert kept() == total_of(closed_cases())


def test_a_new_cause_is_made(horn: Procedure, junior: User, keeper: User) -> None:
    job = horn_job()
    repair = replace(job.repairs[0], cause="body/horn/button#worn", also=("body/horn/relay#worn",))
    store([replace(job, repairs=(repair,))], keeper)
    stored = Repair.objects.get()
    assert stored.cause == cause_for("body/horn/button", "worn")
    assert list(stored.also.all()) == [cause_for("body/horn/relay", "worn")]


def test_registrations_are_compared_however_they_were_written(horn: Procedure, junior: User, keeper: User) -> None:
    """Blanks and hyphens are nothing; the vehicle that is written so goes first."""
    store([horn_job()], keeper)
    stored = Vehicle.objects.get()
    store([horn_job(day=2, registration="sb9001"), horn_job(day=3, registration="SB-9001")], keeper)
    assert Vehicle.objects.get() == stored
    assert {job.vehicle for job in Job.objects.all()} == {stored}
    store([horn_job(day=4, registration="SB 77-01"), horn_job(day=5, registration="SB7701")], keeper)
    assert Vehicle.objects.count() == 2
    spelled = Vehicle.objects.create(registration="SB9001", platform=stored.platform)
    store([horn_job(day=6, registration="SB9001")], keeper)
    assert Job.objects.latest("opened_at").vehicle == spelled
