"""Law 6: whatever the order of closing, reopening, comebacks and repairs, what was kept up is what a count finds."""

from __future__ import annotations

import uuid
from collections.abc import Callable

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shopkb.accounts.models import User
from shopkb.catalog.models import Platform
from shopkb.evidence import learning
from shopkb.jobs.actions import closing, following, repairing
from shopkb.jobs.closed_jobs import closed_cases
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import Job, Run, Verification
from shopkb.jobs.proofs import causes_named
from shopkb.jobs.run_state import run_states_of
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import TO_GROUND, TO_HORN, TO_OUT, TO_RELAY, follow, mend, say
from tests.conftest import NOW
from tests.examples import examples

WAYS = {
    TO_HORN: ("body/horn/horn", "open circuit"),
    TO_GROUND: ("body/horn/earth", "high resistance"),
    TO_RELAY: ("body/horn/relay", "burnt contacts"),
    TO_OUT: None,
}
PLATFORMS = ("curlew/dunlin", "curlew/knot", "godwit/turnstone")

# One deed: what is done, to which of the jobs there are, and a choice its kind reads as it needs.
deeds = st.tuples(
    st.sampled_from(["take in", "follow", "answer", "skip", "undo", "mend", "verify", "close", "reopen", "come back"]),
    st.integers(0, 5),
    st.integers(0, 11),
)


class Shop:
    """Does what a shop does, in any order; what the doors refuse is left undone."""

    def __init__(self, procedure: Procedure, person: User, boss: User) -> None:
        self.procedure, self.person, self.boss = procedure, person, boss
        self.done = 0

    def do(self, deed: str, which: int, choice: int) -> None:
        jobs = list(Job.objects.order_by("pk"))
        if deed == "take in" or not jobs:
            path = PLATFORMS[choice % len(PLATFORMS)]
            builders.take_in(self.person, platform=Platform.objects.get(path=path))
            return
        acts: dict[str, Callable[[Job, int], object]] = {
            "follow": self.follow,
            "answer": self.answer,
            "skip": self.skip,
            "undo": self.undo,
            "mend": self.mend,
            "verify": self.verify,
            "close": self.close,
            "reopen": lambda job, _choice: closing.reopen_job(job, by=self.boss),
            "come back": lambda job, _choice: builders.take_in(self.person, comeback_of=job),
        }
        try:
            with transaction.atomic():
                acts[deed](jobs[which % len(jobs)], choice)
            self.done += 1
        except NotPossible:
            pass

    def follow(self, job: Job, choice: int) -> None:
        way = list(WAYS)[choice % len(WAYS)]
        follow(builders.start(job, self.procedure, self.person), way, self.person)

    def answer(self, job: Job, choice: int) -> None:
        """The supply again: another answer supersedes what came after it."""
        outcome, typed = (("full", "12.5"), ("weak", "7"), ("absent", "0.1"))[choice % 3]
        following.record(self.run(job), say(self.run(job), "supply", outcome, typed), by=self.person, at=NOW)

    def skip(self, job: Job, choice: int) -> None:
        answer = say(self.run(job), "press", skipped="no-time", onward=("click", "sounds")[choice % 2])
        following.record(self.run(job), answer, by=self.person, at=NOW)

    def undo(self, job: Job, _choice: int) -> None:
        last = self.run(job).results.not_retracted().last()
        if last is None:
            raise NotPossible("No answer.")
        following.retract(last, by=self.person, at=NOW, client_id=uuid.uuid4())

    def run(self, job: Job) -> Run:
        run = job.runs.order_by("-pk").first()
        if run is None:
            raise NotPossible("No run.")
        return run

    def mend(self, job: Job, choice: int) -> None:
        causes = [cause for cause in WAYS.values() if cause]
        ends = causes_named(run_states_of(job))
        cured = (Verification.Cured.YES, Verification.Cured.NO, None)[choice // 3 % 3]
        mend(
            job,
            self.person,
            result=ends[0].result if ends and choice % 2 else None,
            cause=causes[choice % len(causes)],
            cured=cured,
        )

    def verify(self, job: Job, choice: int) -> None:
        repair = job.repairs.order_by("-pk").first()
        if repair is None:
            raise NotPossible("No repair.")
        cured = Verification.Cured.values[choice % 3]
        repairing.verify_repair(
            repair, Verification.Cured(cured), how="x", by=self.person, at=NOW, client_id=uuid.uuid4()
        )

    def close(self, job: Job, choice: int) -> None:
        """As cured where that fits, else in one of the other ways."""
        try:
            with transaction.atomic():
                closing.close_job(job, Job.Disposition.CURED, by=self.person, at=NOW)
        except NotPossible:
            other = Job.Disposition.values[choice % 6]
            closing.close_job(job, Job.Disposition(other), by=self.person, at=NOW)


def agree() -> None:
    kept = learning.kept()
    assert kept == learning.total_of(closed_cases())
    assert all(kept.values()), "a tally whose sums are all zero stays in no table"
    assert all(part.count >= 0 and part.rejected >= 0 for part in kept.values())


@pytest.mark.django_db
@settings(
    max_examples=examples(40),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.lists(deeds, min_size=6, max_size=22))
def test_tallies_kept_up_are_tallies_counted_again(
    horn: Procedure, junior: User, senior: User, order: list[tuple[str, int, int]]
) -> None:
    with transaction.atomic():
        shop = Shop(horn, junior, senior)
        for deed in order:
            shop.do(*deed)
            agree()
        for job in Job.objects.closed().filter(comebacks=None):
            closing.reopen_job(job, by=senior)
        agree()
        transaction.set_rollback(True)


def test_the_shop_of_the_property_gets_somewhere(horn: Procedure, junior: User, senior: User) -> None:
    """The property above would hold in a shop where nothing is ever closed: this one closes, reopens, comes back."""
    shop = Shop(horn, junior, senior)
    for deed in [
        ("take in", 0, 0),
        ("follow", 0, 2),
        ("mend", 0, 3),  # relay, not cured
        ("follow", 0, 0),
        ("mend", 0, 0),  # horn, cured
        ("close", 0, 0),
        ("reopen", 0, 0),
        ("answer", 0, 0),
        ("close", 0, 0),
        ("come back", 0, 0),
    ]:
        shop.do(*deed)
        agree()
    assert shop.done == 9
    assert [(job.is_open, job.disposition) for job in Job.objects.order_by("pk")] == [(False, "cured"), (True, "")]
    assert any(part.came_back for part in learning.kept().values())
    assert any(part.rejected for part in learning.kept().values())


@pytest.mark.django_db(transaction=True)
def test_closing_and_answering_at_once_agree(horn: Procedure, junior: User) -> None:
    """An answer taken while the job closes is either in what the job taught or refused."""
    jobs = [builders.take_in(junior) for _ in range(4)]
    runs = [builders.start(job, horn, junior) for job in jobs]
    for run in runs:
        follow(run, TO_OUT, junior)  # ended, so closing has no run to wait for

    def act(number: int) -> object:
        if number % 2:
            return closing.close_job(jobs[number // 2], Job.Disposition.UNSOLVED, by=junior, at=NOW)
        run = runs[number // 2]
        return following.record(run, say(run, "press", "click"), by=junior, at=NOW)

    outcomes = builders.all_at_once(8, act)
    raised = [outcome for outcome in outcomes if isinstance(outcome, Exception)]
    assert all(isinstance(error, NotPossible) for error in raised), raised
    assert Job.objects.closed().count() == 4
    agree()


def test_rebuilding_finds_the_same_and_mends_what_was_spoilt(horn: Procedure, junior: User) -> None:
    builders.cured_job(horn, junior)
    first = builders.cured_job(horn, junior, TO_GROUND)
    builders.take_in(junior, comeback_of=first)
    kept = learning.kept()
    stamp = learning.stamp()
    learning.Tally.objects.filter(step="press").update(count=7)
    assert learning.rebuild(closed_cases()) == len(kept)
    assert learning.kept() == kept
    assert learning.stamp() > stamp
