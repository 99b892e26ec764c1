"""Far dates, odd months, huge pages and numbers behind the question mark of every page: an answer, never a fault.

Which words each page reads is seen while it answers; that none was missed is held against what the code says.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from django.http import QueryDict
from django.test import Client
from django.utils.datastructures import MultiValueDict

from shopkb.accounts.models import User
from shopkb.jobs.views.job_filters import PARAMETERS, JobFilters
from shopkb.procedures.models import Procedure
from shopkb.reports.views import USED
from tests.conftest import ROOT, person
from tests.proof import note
from tests.rights.scene import Scene, make_scene
from tests.rights.table import TABLE
from tests.rights.test_hostile import BACKEND, reading
from tests.rights.test_matrix import address

pytestmark = pytest.mark.one_database

MOMENTS = (
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59.999999-14:00",
    "2026-02-30T00:00:00Z",
    "2026-01-01T00:00:00+99:99",
    "0001-01-01T00:00:00Z",
)
MONTHS = ("0000-01", "0001-01", "0001-02", "9999-11", "9999-12", "2026-00", "2026-13", "٢٠٢٦-٠١", "2026-1", "99999-01")
NUMBERS = ("-1", "0", "9" * 18, "9" * 19, "9" * 30, "9" * 4000, "1e309", "NaN", "Infinity", "٣", "²", "1.5", "last")
FAR = (*MOMENTS, *MONTHS, *NUMBERS)
ALL = os.environ.get("SHOPKB_PROBES") == "all"
LITERAL = re.compile(r'request\.GET(?:\.get|\.getlist)?[(\[]"([a-z_]+)"')


@contextmanager
def noted() -> Iterator[set[str]]:
    """The words that are asked of any address meanwhile; ``*`` where all of them are looked through."""
    names: set[str] = set()
    patch = pytest.MonkeyPatch()

    def getitem(self: QueryDict, name: str) -> object:
        names.add(name)
        return MultiValueDict.__getitem__(self, name)

    def contains(self: QueryDict, name: object) -> bool:
        names.add(str(name))
        return dict.__contains__(self, name)

    def items(self: QueryDict) -> object:
        names.add("*")
        return MultiValueDict.items(self)

    for name, does in (("__getitem__", getitem), ("__contains__", contains), ("items", items)):
        patch.setattr(QueryDict, name, does, raising=False)
    try:
        yield names
    finally:
        patch.undo()


@pytest.fixture
def actor(db: None) -> User:
    return person("actor", "keeper")


@pytest.fixture
def scene(actor: User, second: User, horn: Procedure) -> Scene:
    return make_scene(actor, person("mate", "writer"), second, horn)


@pytest.fixture
def client(actor: User) -> Client:
    client = Client(raise_request_exception=False)
    client.force_login(actor, backend=BACKEND)
    return client


FIRST = {"procedures:desk-cause": {"step": "coil-ohms"}, "jobs:list": {"state": "closed"}}
"""What a page must be asked before it reads the rest."""


FURTHER = (("procedures:chart", ("pdf",)),)
"""Addresses of the same route that read other words."""


def words_read(client: Client, scene: Scene) -> dict[tuple[str, str], set[str]]:
    """The words that each page reads, by route and address."""
    figures = {"since", "until", *(name for names in USED.values() for name in names)}
    read: dict[tuple[str, str], set[str]] = {}
    pages = [(route, TABLE[route]) for route in reading]
    pages += [(route, replace(TABLE[route], more=more)) for route, more in FURTHER]
    for route, row in pages:
        at = address(route, row, scene, "own")
        with noted() as names:
            client.get(at, FIRST.get(route, {}))
        if "*" in names:
            names |= figures
        before = {name for (other, _at), words in read.items() if other == route for name in words}
        read[route, at] = names - {"*"} - before
    return read


def test_no_far_value_behind_the_question_mark_is_a_fault(client: Client, scene: Scene) -> None:
    read = words_read(client, scene)
    said = {name for path in (ROOT / "shopkb").rglob("*.py") for name in LITERAL.findall(path.read_text("utf-8"))}
    met = {name for names in read.values() for name in names}
    assert said <= met, "words that no page was seen to read"
    assert {PARAMETERS.get(name, name) for name in JobFilters.__dataclass_fields__} <= met
    pairs = [(route, at, name) for (route, at), names in sorted(read.items()) for name in sorted(names)]
    note("words of addresses tried with far values", len(pairs))
    wrong = []
    for turn, (route, at, name) in enumerate(pairs):
        for far in FAR if ALL or name in ("since", "until", "after", "page") else FAR[turn % 7 :: 7]:
            status = client.get(at, {**FIRST.get(route, {}), name: far}).status_code
            if status >= 500:
                wrong.append(f"{at}?{name}={far[:40]}: {status}")
    assert wrong == []
