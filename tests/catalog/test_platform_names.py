from __future__ import annotations

import pytest

from shopkb.catalog.platform_names import platform_name, platform_names


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
