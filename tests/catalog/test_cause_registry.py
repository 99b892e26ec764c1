from __future__ import annotations

import pytest
from django.db import IntegrityError

from shopkb.catalog import cause_registry, trees
from shopkb.catalog.cause_registry import cause_for
from shopkb.catalog.models import Cause, System
from shopkb.core.flow.model import Cause as FlowCause
from tests.catalog.test_trees_together import PEOPLE, all_at_once


@pytest.fixture
def horn(db: None) -> System:
    return trees.add(System, key="horn", name="Horn")


def test_one_row_for_one_cause(horn: System) -> None:
    cause = cause_for("horn", " Open circuit ")
    assert (cause.component, cause.mode) == (horn, "Open circuit")
    assert cause_for("horn", "open CIRCUIT") == cause
    assert cause_for("horn", "short circuit") != cause
    assert Cause.objects.count() == 2


def test_letters_beyond_ascii_do_not_make_another(horn: System) -> None:
    assert cause_for("horn", "Öl eingedrungen") == cause_for("horn", "öl eingedrungen")


def test_its_identity_is_that_of_the_flow(horn: System) -> None:
    assert cause_for("horn", " Open circuit").identity == FlowCause("k", "horn", "Open circuit ").identity


@pytest.mark.parametrize(
    ("path", "mode", "error", "sentence"),
    [
        (
            "hron",
            "worn",
            cause_registry.UnknownComponent,
            "No system has the path 'hron'. Add it to the systems tree first.",
        ),
        (
            "horn",
            "  ",
            cause_registry.ModeMissing,
            "A cause needs its failure mode. Write how the part fails, such as open circuit.",
        ),
        (
            "horn",
            "m" * 121,
            cause_registry.ModeMissing,
            f"The failure mode '{'m' * 121}' is longer than 120 characters. Say it in fewer words.",
        ),
    ],
)
def test_refusals(horn: System, path: str, mode: str, error: type[Exception], sentence: str) -> None:
    with pytest.raises(error) as refusal:
        cause_for(path, mode)
    assert str(refusal.value) == sentence


def test_the_database_holds_it_too(horn: System) -> None:
    Cause.objects.create(component=horn, mode="worn")
    with pytest.raises(IntegrityError):
        Cause.objects.create(component=horn, mode="WORN")


@pytest.mark.django_db(transaction=True)
def test_many_at_once_make_one() -> None:
    trees.add(System, key="horn", name="Horn")
    assert len(set(all_at_once(lambda number: cause_for("horn", "open circuit").pk))) == 1
    assert Cause.objects.count() == 1
    assert PEOPLE > 1
