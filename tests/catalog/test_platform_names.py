from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from shopkb.catalog import trees
from shopkb.catalog.facts import facts, remembered_facts
from shopkb.catalog.models import Platform, Symptom
from shopkb.catalog.platform_names import platform_name, platform_names
from shopkb.catalog.trees import NodeValue


@pytest.mark.usefixtures("catalog")
def test_a_platform_is_called_by_its_names_from_the_maker_down(django_assert_num_queries: object) -> None:
    assert platform_name("curlew/dunlin/mk2/rush5") == "Curlew Dunlin minibus, Mk 2, from 2014, Rush 5 diesel"
    assert platform_name("curlew/dunlin") == "Curlew Dunlin minibus"
    assert platform_name("curlew") == "Curlew"
    with django_assert_num_queries(0):  # type: ignore[operator]
        platform_names()


@pytest.mark.usefixtures("catalog")
def test_an_unknown_platform_is_called_by_its_path() -> None:
    assert platform_name("curlew/none") == "curlew/none"


@pytest.mark.usefixtures("catalog")
def test_a_platform_made_a_moment_ago_is_called_by_its_name() -> None:
    platform_names()
    trees.add(Platform, key="knock", name="Knock", parent=Platform.objects.get(path="curlew"))
    assert platform_name("curlew/knock") == "Curlew Knock"


@pytest.mark.usefixtures("catalog")
def test_every_write_of_a_platform_forgets_the_names(django_capture_on_commit_callbacks: Any) -> None:
    dunlin, knot = Platform.objects.get(path="curlew/dunlin"), Platform.objects.get(path="curlew/knot")

    def after(write: Callable[[], object]) -> dict[str, str]:
        platform_names()
        remembered_facts()
        with django_capture_on_commit_callbacks(execute=True):
            write()
        assert remembered_facts() == facts()
        return platform_names()

    assert after(lambda: trees.rename(knot, "Knut"))["curlew/knot"] == "Curlew Knut"
    assert after(lambda: trees.load(Platform, [NodeValue("plover", "Plover")]))["plover"] == "Plover"
    assert after(lambda: trees.move(knot, dunlin))["curlew/dunlin/knot"] == "Curlew Dunlin minibus, Knut"
    assert "plover" not in after(lambda: trees.remove(Platform.objects.get(path="plover")))


@pytest.mark.usefixtures("catalog")
def test_a_symptom_is_known_to_the_facts_once_it_is_saved(django_capture_on_commit_callbacks: Any) -> None:
    remembered_facts()
    with django_capture_on_commit_callbacks(execute=True):
        Symptom.objects.create(key="horn-weak", name="Horn weak")
    assert "horn-weak" in remembered_facts().symptoms
