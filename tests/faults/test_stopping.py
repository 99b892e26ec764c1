"""Nobody stops the server by asking much of it: a short form of ``python -m tests.limits``, with its own table."""

from __future__ import annotations

import pytest

from tests.faults.shop import Shop
from tests.limits import LONGEST, half_open, sign_ins, watched

pytestmark = pytest.mark.one_database


def test_the_next_visitor_does_not_wait(shop: Shop) -> None:
    shop.start()
    try:
        for attack in (half_open, sign_ins):
            waits, _median = watched(shop, attack, seconds=1.5)
            assert max(waits) < LONGEST, attack.__doc__
    finally:
        shop.kill()
