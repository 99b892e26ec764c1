from __future__ import annotations

import pytest

from shopkb.web.numbers import row_number


@pytest.mark.parametrize("text", ["", "-1", "1.0", " 7", "²", "٣", "x", "9" * 19, "9" * 5000])
def test_no_row_has_such_a_number(text: str) -> None:
    assert row_number(text) is None


def test_the_number_of_a_row() -> None:
    assert row_number("0012") == 12
    assert row_number("9" * 18) < 2**63  # type: ignore[operator]
