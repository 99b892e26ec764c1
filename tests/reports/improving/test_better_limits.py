"""Limits that closed jobs speak against, on the page of a procedure."""

from __future__ import annotations

import re
import uuid
from decimal import Decimal
from html import unescape

import pytest
from django.urls import reverse
from pytest_django import DjangoAssertNumQueries

from shopkb.accounts.models import User
from shopkb.jobs.models import Job, Result
from shopkb.procedures.models import Procedure
from shopkb.reports.improving.better_limits import measured_cases
from tests.builders import (
    HORN_TEXT,
    TO_GROUND,
    TO_HORN,
    TO_RELAY,
    cured_job,
    flow_from,
    follow,
    get,
    in_force,
    signed_in,
    start,
    take_in,
    words_of,
)


def copied(job: Job, readings: list[str], unit: str = "V") -> None:
    """So many readings of the earth beside the job's own."""
    done = Result.objects.filter(run__job=job, step="ground").order_by("pk")[0]
    for reading in readings:
        again = Result.objects.get(pk=done.pk)
        again.pk, again.client_id, again.reading, again.unit = None, uuid.uuid4(), Decimal(reading), unit
        again.save(force_insert=True)


@pytest.fixture
def jobs(horn: Procedure, junior: User) -> list[Job]:
    """Sound earths read 0.05 to 0.33 V, bad ones 0.7 V and more; the procedure parts them at 0.2 V."""
    sound, bad = cured_job(horn, junior, TO_HORN), cured_job(horn, junior, TO_GROUND)
    copied(sound, [str(Decimal(5 + number) / 100) for number in range(29)])
    copied(bad, [str(Decimal(70 + number) / 100) for number in range(20)])
    return [sound, bad]


def test_the_page_tells_the_limit_and_what_it_would_have_changed(
    jobs: list[Job], horn: Procedure, junior: User, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    client = signed_in(junior)
    address = reverse("reports:readings", args=[horn.key, in_force(horn).number])
    words = words_of(client.get(address))  # type: ignore[arg-type]
    assert "Limits that closed jobs speak against" in words
    assert "Ground carries the load / Drop too high." in words
    assert "would give the right answer more often than 0.2 V. 13 of 51 readings with a proven cause" in words
    assert (
        "with 0.37 V it would have been 0 (13 put right, 0 made wrong). Chance that it is better: over 99 %." in words
    )
    with django_assert_num_queries(5):
        client.get(address, headers={"HX-Request": "true"})
    (behind,) = re.findall(r'href="(/jobs/[?][^"]*)"', client.get(address).content.decode())
    listed = words_of(client.get(unescape(behind)))  # type: ignore[arg-type]
    assert all(f"Job {job.pk}," in listed for job in jobs), listed


def test_a_limit_that_is_right_is_not_spoken_of(horn: Procedure, junior: User) -> None:
    copied(cured_job(horn, junior, TO_HORN), ["0.05"] * 20)
    copied(cured_job(horn, junior, TO_GROUND), ["0.9"] * 20)
    page, _ = get(signed_in(junior), reverse("reports:readings", args=[horn.key, in_force(horn).number]))
    assert "Limits that closed jobs" not in words_of(page)


def test_only_jobs_with_a_proven_cause_count_in_the_unit_of_the_step(horn: Procedure, junior: User) -> None:
    flow = flow_from(HORN_TEXT)
    follow(start(take_in(junior), horn, junior), TO_GROUND, junior)
    assert measured_cases(flow) == []
    job = cured_job(horn, junior, TO_GROUND)
    copied(job, ["850"], unit="mV")
    copied(job, ["3"], unit="ohm")
    found = [case for case in measured_cases(flow) if case.step == "ground"]
    assert [(case.reading, case.cause) for case in found] == [
        (0.9, "body/horn/earth#high resistance"), (0.85, "body/horn/earth#high resistance")
    ]  # fmt: skip
    cured_job(horn, junior, TO_RELAY)
    assert {case.step for case in measured_cases(flow)} == {"supply", "ground"}
