"""Rows and back: any flow written to rows reads back equal, in a known number of queries."""

from __future__ import annotations

import pytest
from django.apps import apps
from django.db import connection, models
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings

from shopkb.accounts.models import User
from shopkb.catalog.models import System
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.scalars import LINE_LIMIT
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.model import Flow
from shopkb.core.identifiers import LONGEST_KEY
from shopkb.procedures import publishing
from shopkb.procedures.models import Outcome, Procedure, Revision, RevisionCause, Step
from shopkb.procedures.storing import checksum, flow_of, write_rows
from tests.builders import HORN_TEXT, flow_from
from tests.conftest import NOW
from tests.core.flow.file.test_writer import flows
from tests.examples import examples


@pytest.fixture
def empty(yard: None, senior: User) -> Revision:
    """A draft without rows."""
    system = System.objects.get(path="body/horn")
    procedure = Procedure.objects.create(key="x", title="x", system=system, owner=senior)
    return Revision.objects.create(procedure=procedure, number=1, author=senior, created_at=NOW)


@settings(
    max_examples=examples(60),
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


def test_no_column_for_keys_is_shorter_than_the_longest_key() -> None:
    """SQLite stores longer texts all the same, PostgreSQL refuses them."""
    named = {"key", "step", "outcome", "onward", "proposed", "start", "go_key", "access", "procedure", "caution"}
    columns = [
        field
        for model in apps.get_models()
        if model.__module__.startswith("shopkb.")
        for field in model._meta.get_fields()
        if isinstance(field, models.CharField) and field.name in named
    ]
    assert len(columns) > 20
    assert [field for field in columns if field.max_length is not None and field.max_length < LONGEST_KEY] == []
    assert min(model._meta.get_field("title").max_length for model in (Procedure, Revision, Step)) >= LINE_LIMIT


@pytest.mark.parametrize(("length", "stored"), [(LONGEST_KEY, True), (LONGEST_KEY + 1, False)])
def test_the_longest_key_a_file_may_have_can_be_stored(catalog: None, senior: User, length: int, stored: bool) -> None:
    key = "k" * length
    read = read_flow(HORN_TEXT.replace("system: body/horn", "system: cooling").replace("horn-silent", key))
    assert (read.flow is not None) == stored
    if read.flow is not None:
        revision = publishing.start_draft(read.flow, by=senior, at=NOW)
        assert flow_of(Revision.objects.get(pk=revision.pk)) == read.flow
