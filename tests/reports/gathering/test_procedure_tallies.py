"""Sums that follow a closing by its difference are those that are read afresh."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.counting.closed_case import ClosedCase
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums
from shopkb.evidence import learning
from shopkb.evidence.cache import clear_all
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.procedure_tallies import Evidence
from tests.evidence.test_learning import CASE
from tests.evidence.test_updated_counts import horn_cases
from tests.examples import examples

YEAR = Filters("2025-04", "2026-03", platform="curlew")
Sums = dict[TallyKey, TallySums]


def told() -> list[Sums]:
    now = Evidence.now(YEAR, ["horn-silent"])
    whole = now.steps(), now.related(), now.branches(), now.branches("2026-01")
    return [*(dict(each["horn-silent"]) for each in whole), dict(now.runs()), dict(now.runs(since=""))]


def test_a_closing_reads_no_tallies(committing: None) -> None:
    told()
    learning.learn(None, CASE)
    with CaptureQueriesContext(connection) as queries:
        steps = told()[0]
    assert len(queries) == 1
    (one,) = (sums for key, sums in steps.items() if key.step == "press")
    assert (one.count, one.seconds) == (1, 60)


@pytest.mark.django_db
@settings(max_examples=examples(12), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(horn_cases(), min_size=1, max_size=4))
def test_sums_never_part_from_those_read_afresh(committing: None, cases: list[ClosedCase]) -> None:
    learning.rebuild([])
    for case in cases:
        told()
        learning.learn(None, case)
    learning.learn(cases[0], None)
    followed = told()
    clear_all()
    assert followed == told()
