from __future__ import annotations

import pytest

from shopkb.catalog import trees
from shopkb.catalog.facts import facts
from shopkb.catalog.models import Access, Caution, Platform, Symptom, System
from shopkb.catalog.trees import NodeValue
from shopkb.core.flow.checks.catalog_view import AccessView, CautionView

SYSTEMS = (
    NodeValue(
        "cooling",
        "Cooling",
        ("hot-coolant",),
        (NodeValue("fan", "Fan", ("self-starting-fan",), (NodeValue("motor", "Motor"),)), NodeValue("hoses", "Hoses")),
    ),
    NodeValue("body", "Body"),
)


@pytest.fixture
def shop(db: None) -> None:
    trees.load(System, SYSTEMS)
    trees.load(Platform, (NodeValue("curlew", "Curlew", children=(NodeValue("dunlin", "Dunlin"),)),))
    Caution.objects.create(key="hot", signal="WARNING", title="Hot", text="Let it cool.", hazards=["hot-coolant"])
    Access.objects.create(key="bumper-off", name="Bumper off", minutes="12.5", hazards=["lifted-vehicle"])
    Symptom.objects.create(key="overheats", name="Engine overheats")


def test_hazards_reach_all_below(shop: None) -> None:
    assert facts().systems == {
        "cooling": {"hot-coolant"},
        "cooling/fan": {"hot-coolant", "self-starting-fan"},
        "cooling/fan/motor": {"hot-coolant", "self-starting-fan"},
        "cooling/hoses": {"hot-coolant"},
        "body": frozenset(),
    }


def test_hazards_follow_a_move(shop: None) -> None:
    trees.move(System.objects.get(key="fan"), System.objects.get(key="body"))
    assert facts().systems["body/fan/motor"] == {"self-starting-fan"}


def test_what_else_the_checks_see(shop: None) -> None:
    seen = facts(["horn-silent"])
    assert seen.access == {"bumper-off": AccessView("bumper-off", "Bumper off", 12.5, frozenset({"lifted-vehicle"}))}
    assert seen.cautions == {"hot": CautionView("hot", "WARNING", frozenset({"hot-coolant"}), "Let it cool.")}
    assert seen.symptoms == {"overheats"}
    assert seen.platforms == {"curlew", "curlew/dunlin"}
    assert seen.procedures == {"horn-silent"}


def test_five_queries_however_large(shop: None, django_assert_num_queries) -> None:
    with django_assert_num_queries(5):
        facts()
    trees.load(System, [NodeValue(f"n{number}", "N", children=(NodeValue("c", "C"),)) for number in range(50)])
    with django_assert_num_queries(5):
        facts()
