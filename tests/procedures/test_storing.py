"""Any flow that is stored reads back equal, in a known number of queries."""

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
from shopkb.procedures.models import Document, Procedure, Revision
from shopkb.procedures.storing import DocumentUnreadable, checksum, flow_of, store_flow
from tests.builders import HORN_TEXT, flow_from
from tests.conftest import NOW
from tests.core.flow.file.test_writer import flows
from tests.examples import examples


@pytest.fixture
def empty(yard: None, senior: User) -> Revision:
    """A draft that says nothing yet."""
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
    store_flow(empty, flow)
    fresh = Revision.objects.get(pk=empty.pk)
    assert flow_of(fresh) == flow
    assert write_flow(flow_of(fresh)) == write_flow(flow)
    assert fresh.checksum == checksum(flow)


def test_writing_again_replaces_the_document(empty: Revision) -> None:
    flow = flow_from(HORN_TEXT)
    for _ in range(2):
        store_flow(empty, flow)
    assert Document.objects.count() == 1


def test_one_query_the_first_time_and_none_when_cached(horn: Procedure) -> None:
    revision = horn.revisions.get()
    with CaptureQueriesContext(connection) as first:
        flow = flow_of(revision)
    with CaptureQueriesContext(connection) as again:
        assert flow_of(revision) is flow
    assert (len(first), len(again)) == (1, 0)


def test_a_draft_is_read_afresh(horn: Procedure, senior: User) -> None:
    draft = publishing.draft_from(horn.revisions.get(), by=senior, at=NOW)
    with CaptureQueriesContext(connection) as queries:
        assert flow_of(draft) == flow_of(draft)
    assert len(queries) == 2


def test_a_document_that_cannot_be_read_is_named(horn: Procedure) -> None:
    Document.objects.update(text='{"procedure":"horn-silent"}')
    with pytest.raises(DocumentUnreadable, match=r"revision \d+ .*needs title"):
        flow_of(horn.revisions.get())


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
    assert min(model._meta.get_field("title").max_length for model in (Procedure, Revision)) >= LINE_LIMIT


@pytest.mark.parametrize(("length", "stored"), [(LONGEST_KEY, True), (LONGEST_KEY + 1, False)])
def test_the_longest_key_a_file_may_have_can_be_stored(catalog: None, senior: User, length: int, stored: bool) -> None:
    key = "k" * length
    read = read_flow(HORN_TEXT.replace("system: body/horn", "system: cooling").replace("horn-silent", key))
    assert (read.flow is not None) == stored
    if read.flow is not None:
        revision = publishing.start_draft(read.flow, by=senior, at=NOW)
        assert flow_of(Revision.objects.get(pk=revision.pk)) == read.flow
