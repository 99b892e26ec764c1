"""The short form of fuzzing: a few cases for every target. The long one: ``python -m tests.fuzz``."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from tests.fuzz.targets import TARGETS, Target
from tests.proof import note

SHORT = 25
LONG = int(os.environ.get("SHOPKB_FUZZ", "0"))


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_one_clear_answer_each_time(target: Target) -> None:
    tried = 0
    cases = max(1, LONG * target.share // 1000) if LONG else min(SHORT, target.share)
    phases = (Phase.generate, Phase.shrink) if LONG else tuple(Phase)

    @settings(max_examples=cases, database=None, phases=phases, suppress_health_check=list(HealthCheck))
    @given(target.inputs)
    def one(given: object) -> None:
        nonlocal tried
        tried += 1
        target.check(given)

    one()
    assert tried >= min(cases, 10)
    note(f"cases of {target.name}", tried)
