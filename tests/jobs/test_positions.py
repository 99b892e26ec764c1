"""Where the answers of a job were got: through the doors by hand, and the rule in Python against the one in queries."""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shopkb.accounts.models import User
from shopkb.core.diagnosis.counting.positions import ASIDE, positions
from shopkb.evidence import learning
from shopkb.jobs.actions import closing, following
from shopkb.jobs.closed_jobs import case_of
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import Job, Result, Run, Verification
from shopkb.jobs.views.job_filters import JobFilters
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from tests import builders
from tests.builders import HORN_TEXT, follow, mend, put_in_force, say, start, take_in
from tests.conftest import NOW
from tests.examples import examples

WAY = (("press", "click", ""), ("supply", "full", "12.5"), ("ground", "good", "0.1"), ("direct", "silent", ""))


class Bench:
    """One job on two procedures; every deed a minute after the one before."""

    def __init__(self, horn: Procedure, other: Procedure, person: User) -> None:
        self.person, self.now = person, NOW
        self.job = take_in(person, at=NOW)
        self.runs = [start(self.job, one, person, at=self._later()) for one in (horn, other)]

    def _later(self) -> object:
        self.now += timedelta(minutes=1)
        return self.now

    def answer(self, run: Run, step: str, outcome: str, *, off_path: bool = False, skipped: str = "") -> None:
        typed = {"supply": {"full": "12.5", "weak": "7", "absent": "0.1"}, "ground": {"good": "0.1", "bad": "0.9"}}
        said = (
            say(run, step, skipped=skipped, onward=outcome, off_path=off_path)
            if skipped
            else say(run, step, outcome, typed.get(step, {}).get(outcome, ""), off_path=off_path)
        )
        try:
            with transaction.atomic():
                following.record(run, said, by=self.person, at=self._later())
        except NotPossible:
            pass

    def undo(self, run: Run) -> None:
        last = run.results.not_retracted().last()
        if last is not None:
            following.retract(last, by=self.person, at=self._later(), client_id=uuid.uuid4())

    def repair(self) -> None:
        mend(self.job, self.person, cured=Verification.Cured.NO, at=self._later())

    def close(self) -> dict[tuple[str, str], str]:
        """Positions of what stands, by step and outcome of the first procedure."""
        closing.close_job(self.job, Job.Disposition.UNSOLVED, by=self.person, at=self._later())
        case = case_of(self.job)
        assert case is not None
        return {(one.step, one.outcome): one.position for one in case.results if one.procedure == "horn-silent"}


@pytest.fixture
def again(horn: Procedure, senior: User, second: User) -> Procedure:
    """A second procedure with the same steps."""
    text = HORN_TEXT.replace("procedure: horn-silent", "procedure: horn-again").replace("title: Horn", "title: A horn")
    return put_in_force(text, senior, second)


@pytest.fixture
def bench(horn: Procedure, again: Procedure, junior: User) -> Bench:
    return Bench(horn, again, junior)


def on_way(bench: Bench, *steps: str) -> dict[str, str]:
    place = positions(flow_of(bench.runs[0].revision))
    return {step: place[step] for step in steps}


def by_step(found: dict[tuple[str, str], str]) -> dict[str, str]:
    return {step: position for (step, _), position in found.items()}


def test_as_written(bench: Bench) -> None:
    for step, outcome, _ in WAY:
        bench.answer(bench.runs[0], step, outcome)
    assert by_step(bench.close()) == on_way(bench, "press", "supply", "ground", "direct")


def test_a_test_done_early_is_off_the_written_way_and_so_is_what_comes_after_it(bench: Bench) -> None:
    run = bench.runs[0]
    bench.answer(run, "press", "click")
    bench.answer(run, "direct", "silent", off_path=True)
    bench.answer(run, "supply", "full")
    found = by_step(bench.close())
    assert found == {**on_way(bench, "press"), "direct": ASIDE, "supply": ASIDE}
    kept = {(key.step, key.position) for key in learning.kept() if key.step}
    assert kept == set(found.items())


def test_what_another_procedure_or_a_repair_told_meanwhile(bench: Bench) -> None:
    first, second = bench.runs
    bench.answer(first, "press", "click")
    bench.answer(second, "press", "click")
    bench.answer(first, "supply", "full")
    assert by_step(bench.close()) == {**on_way(bench, "press"), "supply": ASIDE}


def test_a_repair_in_vain_is_told_of_the_rest(bench: Bench) -> None:
    run = bench.runs[0]
    bench.answer(run, "press", "click")
    bench.repair()
    bench.answer(run, "supply", "full")
    assert by_step(bench.close()) == {**on_way(bench, "press"), "supply": ASIDE}


def test_an_answer_given_again_stays_where_it_was_first_got(bench: Bench) -> None:
    """The same answer after a repair is still the one of before; another one is of the time after it."""
    run = bench.runs[0]
    bench.answer(run, "press", "click")
    bench.answer(run, "supply", "full")
    bench.repair()
    bench.answer(run, "press", "click")
    bench.answer(run, "supply", "weak")
    assert bench.close() == {("press", "click"): on_way(bench, "press")["press"], ("supply", "weak"): ASIDE}


def test_a_step_left_out_has_no_position_and_what_was_assumed_is_no_result(bench: Bench) -> None:
    run = bench.runs[0]
    bench.answer(run, "press", "click", skipped="no-time")
    bench.answer(run, "supply", "full")
    assert by_step(bench.close()) == {"press": "", "supply": ASIDE}


def test_a_false_lead_has_the_position_of_its_end(horn: Procedure, junior: User) -> None:
    job = take_in(junior)
    end = follow(start(job, horn, junior), builders.TO_RELAY, junior)[-1]
    mend(job, junior, result=end, cause=("body/horn/relay", "burnt contacts"), cured=Verification.Cured.NO)
    closing.close_job(job, Job.Disposition.UNSOLVED, by=junior, at=NOW)
    case = case_of(job)
    assert case is not None
    (rejected,) = case.rejected
    assert rejected.position == {one.step: one.position for one in case.results}["supply"] != ASIDE


deeds = st.one_of(
    st.tuples(st.just("answer"), st.integers(0, 1), st.sampled_from(WAY), st.just(False)),
    st.tuples(st.just("answer"), st.integers(0, 1), st.sampled_from([*WAY, ("supply", "weak", "")]), st.booleans()),
    st.tuples(st.just("skip"), st.integers(0, 1), st.sampled_from(WAY), st.booleans()),
    st.tuples(st.just("undo"), st.integers(0, 1), st.sampled_from(WAY), st.just(False)),
    st.tuples(st.just("repair"), st.just(0), st.sampled_from(WAY), st.just(False)),
)


@pytest.mark.django_db
@settings(max_examples=examples(60), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(deeds, min_size=3, max_size=14))
def test_the_query_finds_the_same_answers(
    horn: Procedure, again: Procedure, junior: User, order: list[tuple[str, int, tuple[str, str, str], bool]]
) -> None:
    with transaction.atomic():
        bench = Bench(horn, again, junior)
        for kind, which, (step, outcome, _), aside in order:
            run = bench.runs[which]
            if kind == "answer":
                bench.answer(run, step, outcome, off_path=aside)
            elif kind == "skip":
                bench.answer(run, step, outcome, off_path=aside, skipped="no-time")
            elif kind == "undo":
                bench.undo(run)
            else:
                bench.repair()
        found = bench.close()
        here = Result.objects.effective().on_written_way().filter(run=bench.runs[0])
        assert set(here.values_list("step", "outcome")) == {
            branch for branch, position in found.items() if position not in ("", ASIDE)
        }
        transaction.set_rollback(True)


def test_the_list_of_jobs_behind_a_branch_holds_those_that_took_it(bench: Bench, horn: Procedure) -> None:
    run = bench.runs[0]
    bench.answer(run, "press", "click")
    bench.answer(run, "direct", "silent", off_path=True)
    bench.close()
    for step, taken in (("press", 1), ("direct", 0)):
        way = JobFilters(procedure="horn-silent", step=step, on_way="1").apply(Job.objects.all())
        assert (step, way.count()) == (step, taken)
        assert JobFilters(procedure="horn-silent", step=step).apply(Job.objects.all()).count() == 1
