"""Rows and back: any flow written to rows reads back equal, in a known number of queries."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings

from shopkb.accounts.models import User
from shopkb.catalog.models import System
from shopkb.core.flow.model import Flow
from shopkb.core.flow.writer import write_flow
from shopkb.procedures import publishing
from shopkb.procedures.models import Outcome, Procedure, Revision, RevisionCause, Step
from shopkb.procedures.storing import checksum, flow_of, write_rows
from tests.builders import HORN_TEXT, flow_from
from tests.conftest import NOW
from tests.core.flow.test_writer import flows


@pytest.fixture
def empty(yard: None, senior: User) -> Revision:
    """A draft without rows."""
    system = System.objects.get(path="body/horn")
    procedure = Procedure.objects.create(key="x", title="x", system=system, owner=senior)
    return Revision.objects.create(procedure=procedure, number=1, author=senior, created_at=NOW)


@settings(
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(flow=flows())
def test_any_flow_reads_back_equal(empty: Revision, flow: Flow) -> None:
    Procedure.objects.filter(pk=empty.procedure_id).update(key=flow.procedure)
    write_rows(empty, flow)
    fresh = Revision.objects.get(pk=empty.pk)
    assert flow_of(fresh) == flow
    assert write_flow(flow_of(fresh)) == write_flow(flow)
    assert fresh.checksum == checksum(flow)


def test_writing_again_leaves_no_old_rows(empty: Revision) -> None:
    flow = flow_from(HORN_TEXT)
    for _ in range(2):
        write_rows(empty, flow)
    assert Step.objects.count() == len(flow.steps)
    assert RevisionCause.objects.count() == len(flow.causes)
    assert Outcome.objects.count() == sum(len(step.outcomes) for step in flow.steps)


def test_four_queries_the_first_time_and_none_when_remembered(horn: Procedure) -> None:
    revision = horn.revisions.get()
    with CaptureQueriesContext(connection) as first:
        flow = flow_of(revision)
    with CaptureQueriesContext(connection) as again:
        assert flow_of(revision) is flow
    assert (len(first), len(again)) == (4, 0)


def test_a_draft_is_read_afresh(horn: Procedure, senior: User) -> None:
    draft = publishing.draft_from(horn.revisions.get(), by=senior, at=NOW)
    with CaptureQueriesContext(connection) as queries:
        assert flow_of(draft) == flow_of(draft)
    assert len(queries) == 8
