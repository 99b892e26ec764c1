"""Readings of closed jobs, fitted at night, in what is believed of an open one."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shopkb.accounts.models import User
from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.diagnosis.counting.tallies import contributions, merge
from shopkb.evidence import cache, learning
from shopkb.evidence.learned_procedure import readings_in_force
from shopkb.evidence.models import ReadingFit, StrengthFit
from shopkb.jobs import measuring
from shopkb.jobs.measuring import fit_strengths, fitted_readings
from shopkb.jobs.reasoning import reason
from shopkb.jobs.run_state import run_states_of
from shopkb.procedures.models import Procedure
from tests.builders import HORN_TEXT, TO_GROUND, TO_HORN, cured_job, flow_from, follow, start, take_in
from tests.conftest import NOW

GROUND = "body/horn/earth#high resistance"
HORN = "body/horn/horn#open circuit"
TO_SUPPLY = (("press", "click", ""), ("supply", "full", "12.61"))


def case_of(number: int, *, sound: bool) -> ClosedCase:
    """Sound earths read 0.02 to 0.07 V, bad ones 0.6 to 0.9 V; the procedure parts them at 0.2 V."""
    reading = Decimal(20 + 2 * (number % 25)) / 1000 if sound else Decimal(60 + number % 30) / 100
    answer = CaseResult("horn-silent", "ground", "good" if sound else "bad", reading=reading, unit="V")
    # one in six read beside the limit, on the wrong side
    if number % 7 == 0:
        answer = replace(answer, reading=Decimal("0.21" if sound else "0.19"), outcome="bad" if sound else "good")
    cause = HORN if sound else GROUND
    return ClosedCase(number, "curlew/dunlin", "2026-03", cause, "measured", cause, results=(answer,))


@pytest.fixture
def jobs(horn: Procedure, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sixty closed jobs, as if they were in the database."""
    cases = [case_of(number, sound=number % 2 == 0) for number in range(60)]
    tallies = merge(contributions(case) for case in cases)
    learning.add_evidence(tallies)
    monkeypatch.setattr(measuring, "measured_cases", lambda flow: cases if flow.procedure == "horn-silent" else [])


def believed(horn: Procedure, by: User, outcome: str, reading: str) -> dict[str, float]:
    job = take_in(by)
    follow(start(job, horn, by), (*TO_SUPPLY, ("ground", outcome, reading)), by)
    reasoning = reason(job, run_states_of(job), at=NOW)
    assert reasoning is not None
    return {row.cause: row.probability for row in reasoning.possible}


@pytest.mark.usefixtures("jobs")
def test_a_reading_near_the_limit_counts_less_than_one_far_from_it(horn: Procedure, junior: User) -> None:
    bands = believed(horn, junior, "bad", "0.75")[GROUND]
    assert believed(horn, junior, "bad", "0.3")[GROUND] == pytest.approx(bands, abs=1e-9)
    fit_strengths(at=NOW)
    far, near = (believed(horn, junior, "bad", reading)[GROUND] for reading in ("0.75", "0.205"))
    assert far > bands > near
    either = [believed(horn, junior, *answer)[GROUND] for answer in (("bad", "0.2003"), ("good", "0.1997"))]
    assert either[0] == pytest.approx(either[1], abs=0.03)
    assert believed(horn, junior, "good", "0.04")[GROUND] < 0.1


@pytest.mark.usefixtures("jobs")
def test_readings_are_read_once_and_then_cost_no_query(horn: Procedure, junior: User) -> None:
    fit_strengths(at=NOW)
    job = take_in(junior)
    follow(start(job, horn, junior), (*TO_SUPPLY, ("ground", "bad", "0.7")), junior)
    states = run_states_of(job)
    reason(job, states, at=NOW)  # what else is cached: which revisions are in force, the catalog
    counts = []
    for fits in (True, False):
        if not fits:
            ReadingFit.objects.all().delete()
            StrengthFit.objects.all().delete()
        cache.clear_all()
        for _ in range(2):  # not kept, kept
            with CaptureQueriesContext(connection) as captured:
                reason(job, states, at=NOW)
            counts.append(len(captured))
    cold, warm, cold_without, warm_without = counts
    assert cold == cold_without + 1
    assert warm == warm_without


def test_the_jobs_that_readings_are_fitted_to_are_the_newest_with_a_reading(
    horn: Procedure, junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    flow = flow_from(HORN_TEXT)
    assert measuring.measured_cases(flow) == []
    follow(start(take_in(junior), horn, junior), TO_GROUND, junior)  # still open
    first, second = (cured_job(horn, junior, way) for way in (TO_HORN, TO_GROUND))
    found = measuring.measured_cases(flow)
    assert [case.job for case in found] == [first.pk, second.pk]
    assert [one.reading for one in found[1].results if one.step == "ground"] == [Decimal("0.9")]
    monkeypatch.setattr(measuring, "MOST_FITTED", 1)
    assert [case.job for case in measuring.measured_cases(flow)] == [second.pk]
    assert fitted_readings(flow, {}, "2026-03") is None  # too few


@pytest.mark.usefixtures("jobs")
def test_a_fit_replaces_the_one_before_and_a_dry_run_keeps_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    fit_strengths(at=NOW, store=False)
    assert not ReadingFit.objects.exists()
    fit_strengths(at=NOW)
    found = readings_in_force("horn-silent")
    assert found is not None
    assert found.keys() == {"ground"}
    kept = found["ground"]
    assert (kept.unit, len(kept.by_cause[GROUND]), len(kept.by_cause[HORN])) == ("V", 30, 30)
    monkeypatch.setattr(measuring, "measured_cases", lambda flow: [])
    fit_strengths(at=NOW)
    assert readings_in_force("horn-silent") is None


def test_readings_that_forecast_no_better_are_not_used(
    horn: Procedure, junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With one cause or another they are the same in a band."""

    def alike(case: ClosedCase) -> ClosedCase:
        (answer,) = case.results
        return replace(case, results=(replace(answer, reading=Decimal("0.1" if answer.outcome == "good" else "0.5")),))

    cases = [alike(case_of(number, sound=number % 2 == 0)) for number in range(60)]
    learning.add_evidence(merge(contributions(case) for case in cases))
    monkeypatch.setattr(measuring, "measured_cases", lambda flow: cases if flow.procedure == "horn-silent" else [])
    fit_strengths(at=NOW)
    assert readings_in_force("horn-silent") == {}
    far, near = (believed(horn, junior, "bad", reading)[GROUND] for reading in ("3", "0.205"))
    assert far == pytest.approx(near, abs=1e-9)


@pytest.mark.usefixtures("jobs")
def test_a_procedure_begun_once_more_with_nothing_recorded_changes_nothing(horn: Procedure, junior: User) -> None:
    """Its readings count once, however often it was begun on the job."""
    fit_strengths(at=NOW)
    job = take_in(junior)
    follow(start(job, horn, junior), (*TO_SUPPLY, ("ground", "bad", "0.3")), junior)
    once = reason(job, run_states_of(job), at=NOW)
    start(job, horn, junior)
    twice = reason(job, run_states_of(job), at=NOW)
    assert once is not None and twice is not None
    expected = {row.cause: row.probability for row in once.possible}
    assert {row.cause: row.probability for row in twice.possible} == pytest.approx(expected, abs=1e-9)
