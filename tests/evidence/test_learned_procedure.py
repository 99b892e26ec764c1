"""What is learned of a procedure, remembered until the tallies change: the counts by hand, the memory by queries."""

from __future__ import annotations

from dataclasses import replace

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shopkb.accounts.models import User
from shopkb.catalog.models import Access, Platform
from shopkb.core.flow.hand_overs import NO_HAND_OVER_CAUSES
from shopkb.core.flow.model import Flow, Go, GoKind
from shopkb.evidence import learned_procedure as room
from shopkb.evidence import learning
from shopkb.evidence.cache import clear_all
from shopkb.evidence.learned_procedure import learned_procedure
from shopkb.jobs.models import Job
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import checksum, flow_of
from tests import builders
from tests.builders import TO_GROUND, TO_HORN, TO_RELAY
from tests.evidence.unpooled import branch_notes, tallies

MONTH = "2026-03"


@pytest.fixture
def flow(horn: Procedure) -> Flow:
    return flow_of(horn.revisions.get())


def learned(flow: Flow, **more: str) -> room.LearnedProcedure:
    return learned_procedure(
        flow, checksum(flow), **{"behind": NO_HAND_OVER_CAUSES, "platform": "curlew/dunlin", "month": MONTH, **more}
    )


def test_without_jobs_nothing_is_claimed(flow: Flow) -> None:
    found = learned(flow)
    assert found.verified_jobs == 0
    assert {(note.jobs, note.successes, note.traffic, note.low, note.high) for note in found.notes.values()} == {
        (0, 0, 0, None, None)
    }
    assert found.appraisal is not None


def test_counts_are_those_of_the_tallies(flow: Flow, horn: Procedure, junior: User) -> None:
    """Three horns, one ground, one relay, one job closed without a cure, one comeback: plain counts agree."""
    for way in (TO_HORN, TO_HORN, TO_HORN, TO_GROUND, TO_RELAY):
        last: Job = builders.cured_job(horn, junior, way)
    builders.take_in(junior, comeback_of=last)
    run = builders.start(builders.take_in(junior), horn, junior)
    builders.follow(run, TO_GROUND, junior)
    builders.closing.close_job(run.job, Job.Disposition.UNSOLVED, by=junior, at=builders.NOW)
    found, plain = learned(flow), branch_notes(flow, tallies("horn-silent"))
    assert found.verified_jobs == 4
    for branch, note in plain.items():
        pooled = found.notes[branch]
        assert (pooled.jobs, pooled.traffic) == (note.jobs, note.traffic), branch
        assert pooled.successes == pytest.approx(note.successes), branch
        if note.jobs:
            assert pooled.low is not None and pooled.high is not None
            assert 0 <= pooled.low <= pooled.high <= 1
    full, bad = plain[("supply", "full")], plain[("ground", "bad")]
    assert (full.jobs, full.successes, full.traffic) == (4, 4, 5)
    assert (bad.jobs, bad.successes, bad.traffic) == (1, 1, 2)


def test_it_is_remembered_at_the_price_of_one_query(flow: Flow, horn: Procedure, junior: User) -> None:
    builders.cured_job(horn, junior)
    first = learned(flow)
    with CaptureQueriesContext(connection) as queries:
        assert learned(flow) is first
    assert len(queries) == 1


def test_a_closing_a_reopening_and_a_comeback_are_seen_at_once(
    flow: Flow, horn: Procedure, junior: User, senior: User
) -> None:
    told = [learned(flow).verified_jobs]
    job = builders.cured_job(horn, junior)
    told.append(learned(flow).verified_jobs)
    builders.closing.reopen_job(job, by=senior)
    told.append(learned(flow).verified_jobs)
    builders.closing.close_job(job, Job.Disposition.CURED, by=junior, at=builders.NOW)
    told.append(learned(flow).verified_jobs)
    builders.take_in(junior, comeback_of=job)
    told.append(learned(flow).verified_jobs)
    assert told == [0, 1, 0, 1, 0]


def test_changed_minutes_of_a_set_up_state_are_seen_at_once(flow: Flow) -> None:
    before = learned(flow)
    state = Access.objects.get(key=next(step.access for step in flow.steps if step.access))
    state.minutes += 30
    state.save()
    after = learned(flow)
    assert before.appraisal is not None and after.appraisal is not None
    assert after.appraisal.minutes > before.appraisal.minutes + 10
    assert learned(flow) is after
    Access.objects.all().delete()
    assert learned(flow).model.access_minutes == {}


def test_a_closing_on_another_procedure_costs_nothing_here(flow: Flow) -> None:
    before = learned(flow)
    key = learning.TallyKey("horn-control", "coil-ohms", "sound", "", "", "godwit", "2026-02")
    learning.add_evidence({key: learning.TallySums(3)})
    assert learned(flow) is before
    learning.add_evidence(
        {replace(key, procedure=flow.procedure, step="press", outcome="click"): learning.TallySums(3)}
    )
    assert learned(flow) is not before


def test_a_fit_of_the_strengths_is_seen_at_once(flow: Flow) -> None:
    before = learned(flow)
    learning.keep_strengths([7.0, 9.0, 11.0], [0.25, 0.75], at=builders.NOW, as_of=MONTH, procedures=1, verified_jobs=0)
    assert learned(flow) is not before
    assert room.strengths_in_force() == ((7.0, 9.0, 11.0), (0.25, 0.75), (1.0, 0.0))


def test_the_number_of_queries_does_not_grow_with_jobs_or_platforms(flow: Flow, horn: Procedure, junior: User) -> None:
    def cost() -> int:
        clear_all()
        with CaptureQueriesContext(connection) as queries:
            learned(flow)
        return len(queries)

    builders.cured_job(horn, junior)
    few = cost()
    for path in ("curlew/knot", "godwit/turnstone", "curlew/dunlin"):
        job = builders.take_in(junior, platform=Platform.objects.get(path=path))
        builders.follow(builders.start(job, horn, junior), TO_GROUND, junior)
        builders.closing.close_job(job, Job.Disposition.UNSOLVED, by=junior, at=builders.NOW)
    assert cost() == few <= 5


def test_platforms_months_and_texts_are_kept_apart(flow: Flow, horn: Procedure, junior: User) -> None:
    builders.cured_job(horn, junior)
    here = learned(flow)
    assert learned(flow, platform="godwit/turnstone") is not here
    assert learned(flow, month="2026-04") is not here
    assert learned(replace(flow, title="Horn is dumb")) is not here
    assert learned(flow) is here


def test_a_draft_that_cannot_be_passed_through_has_no_appraisal(flow: Flow) -> None:
    first, second = flow.steps[:2]
    back = replace(second.outcomes[0], go=Go(GoKind.STEP, first.key))
    loop = replace(flow, steps=(first, replace(second, outcomes=(back, *second.outcomes[1:])), *flow.steps[2:]))
    assert learned(loop).appraisal is None
    assert learned(replace(flow, start="gone")).appraisal is None


def test_the_memory_is_bounded(flow: Flow) -> None:
    first = learned(flow)
    for number in range(room.VALUES_KEPT):
        learned(flow, month=f"{2030 + number}-01")
    assert learned(flow) is not first


def test_another_shops_tallies_are_seen_at_once(flow: Flow) -> None:
    assert learned(flow).notes[("press", "click")].traffic == 0
    key = learning.TallyKey("horn-silent", "press", "click", "", "", "godwit", "2026-02")
    learning.add_evidence({key: learning.TallySums(3)})
    assert learned(flow, platform="").notes[("press", "click")].traffic == 3
