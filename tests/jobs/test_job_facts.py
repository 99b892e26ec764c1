"""What a closed job proves: the Python rule and the query expressions select the same repairs."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import replace

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shopkb.accounts.models import User
from shopkb.catalog.cause_registry import cause_for
from shopkb.core.flow.model import cause_identity
from shopkb.jobs.closed_jobs import JobRow, facts_of, first_comebacks, job_rows
from shopkb.jobs.job_facts import JobFact, RepairFact
from shopkb.jobs.models import Finding, Job, Repair, Settlement, Verification
from tests import builders
from tests.conftest import NOW
from tests.examples import examples

# A job: how it was closed, how many comebacks it had, its repairs (true for one that puts another fault right), and the
# verifications in the order in which they were recorded, each as (which of the repairs, what it said).
jobs = st.tuples(
    st.sampled_from([Job.Disposition.CURED, Job.Disposition.CURED, *Job.Disposition]),
    st.integers(0, 2),
    st.lists(st.booleans(), max_size=3),
    st.lists(st.tuples(st.integers(0, 2), st.sampled_from(Verification.Cured)), max_size=6),
)


THREE = [False, False, False]


def record(job: Job, by: User, repairs: Sequence[bool], verdicts: list[tuple[int, Verification.Cured]]) -> None:
    cause = cause_for("body/horn/horn", "open circuit")
    rows = [
        Repair.objects.create(
            job=job, cause=cause, proof="measured", correction="x", who=by, at=NOW, client_id=uuid.uuid4()
        )
        for _ in repairs
    ]
    for row, beside in zip(rows, repairs, strict=True):
        if beside:
            signed = {"who": by, "at": NOW}
            found = Finding.objects.create(job=job, words="Plug is green", client_id=uuid.uuid4(), **signed)
            how = Settlement.How.REPAIRED
            Settlement.objects.create(finding=found, how=how, repair=row, client_id=uuid.uuid4(), **signed)
    for which, cured in verdicts:
        if which < len(rows):
            Verification.objects.create(repair=rows[which], cured=cured, who=by, at=NOW, client_id=uuid.uuid4())


def closed_job(by: User, disposition: Job.Disposition, comebacks: int) -> Job:
    first = builders.take_in(by)
    vehicle, platform, given = first.vehicle, first.platform, {"complaint": "x", "opened_by": by, "opened_at": NOW}
    for _ in range(comebacks):
        Job.objects.create(vehicle=vehicle, platform=platform, comeback_of=first, client_id=uuid.uuid4(), **given)
    Job.objects.filter(pk=first.pk).update(state=Job.State.CLOSED, disposition=disposition, closed_at=NOW)
    return first


def facts() -> list[JobFact]:
    chosen = Job.objects.closed()
    back = first_comebacks(chosen)
    read = facts_of([JobRow(*row) for row in job_rows(chosen)])
    return [replace(fact, back_at=back.get(number)) for number, fact in read.items()]


def numbers(*repairs: RepairFact | None) -> set[int]:
    return {repair.number for repair in repairs if repair is not None}


@pytest.mark.django_db
@settings(max_examples=examples(60), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(jobs, min_size=1, max_size=4))
def test_the_rule_and_the_query_select_the_same_repairs(
    yard: None, junior: User, shop: list[tuple[Job.Disposition, int, list[bool], list[tuple[int, Verification.Cured]]]]
) -> None:
    with transaction.atomic():
        for disposition, comebacks, repairs, verdicts in shop:
            record(closed_job(junior, disposition, comebacks), junior, repairs, verdicts)
        asked, found = Repair.objects.all(), facts()
        assert len(found) == len(shop)
        for queryset, expected in (
            (asked.claimed(), numbers(*(fact.claimed for fact in found))),
            (asked.confirmed(), numbers(*(fact.confirmed for fact in found))),
            (asked.taken_back(), numbers(*(fact.claimed for fact in found if fact.back_at))),
            (asked.wrong(), numbers(*(repair for fact in found for repair in fact.wrong))),
            (asked.rejected(), numbers(*(repair for fact in found for repair in fact.rejected))),
        ):
            assert set(queryset.values_list("pk", flat=True)) == expected
        for cured in Verification.Cured:
            same = {repair.number for fact in found for repair in fact.repairs if repair.cured == cured}
            assert set(asked.verified_as(cured).values_list("pk", flat=True)) == same
        transaction.set_rollback(True)


def test_the_last_repair_verified_as_cured_is_the_one_that_cured(yard: None, junior: User) -> None:
    """By hand: of three repairs the second and, until it was tried once more, the third had cured."""
    yes, no = Verification.Cured.YES, Verification.Cured.NO
    job = closed_job(junior, Job.Disposition.CURED, 0)
    record(job, junior, THREE, [(0, no), (1, yes), (2, yes), (2, no)])
    first, second, third = Repair.objects.order_by("pk")
    (fact,) = facts()
    assert fact.confirmed is not None
    assert (fact.confirmed.number, [repair.number for repair in fact.wrong]) == (second.pk, [first.pk, third.pk])
    assert fact.confirmed.cause == cause_identity(second.cause.component.path, second.cause.mode)


@pytest.mark.parametrize(
    ("beside", "claimed"),
    [([False, True], 0), ([True, False], 1), ([False, True, True], 0), ([True, True], 1)],
    ids=["another fault last", "another fault first", "two others last", "only others"],
)
def test_the_repair_of_another_fault_is_not_what_cured_the_complaint(
    yard: None, junior: User, beside: list[bool], claimed: int
) -> None:
    """Where no other repair is verified as cured, it is: the complaint was that fault."""
    yes = Verification.Cured.YES
    record(closed_job(junior, Job.Disposition.CURED, 0), junior, beside, [(at, yes) for at in range(len(beside))])
    (fact,) = facts()
    assert numbers(fact.claimed) == {Repair.objects.order_by("pk")[claimed].pk}


def test_a_comeback_takes_the_cure_back(yard: None, junior: User) -> None:
    """Claimed, no longer confirmed; the repair that was not the last to cure is rejected, not called wrong."""
    yes = Verification.Cured.YES
    record(closed_job(junior, Job.Disposition.CURED, 1), junior, [False, False], [(0, yes), (1, yes)])
    early, late = Repair.objects.order_by("pk")
    (fact,) = facts()
    assert (numbers(fact.claimed), fact.confirmed) == ({late.pk}, None)
    assert numbers(*fact.wrong) == {late.pk}
    assert numbers(*fact.rejected) == {early.pk, late.pk}
