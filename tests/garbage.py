"""How often Python looks for circles of objects that nobody holds any more: seldom, and while tests are gathered never.

Gathering makes some hundred thousand objects that live to the end: modules, tests, marks. Looking through them again
and again took a fifth of that time and a twentieth of all time; afterwards they are left out of every search.
"""

from __future__ import annotations

import gc
from collections.abc import Generator

import pytest

THRESHOLDS = 50_000, 20, 100
"""New objects until the youngest are searched, and after how many searches the older ones are."""


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    gc.disable()
    try:
        return (yield)
    finally:
        gc.collect()
        gc.freeze()
        gc.set_threshold(*THRESHOLDS)
        gc.enable()
