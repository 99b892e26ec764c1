"""Short form of :mod:`tests.simulation.savings`: a shipped procedure, and a job by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shopkb.core.diagnosis.likelihoods import model_of
from shopkb.core.diagnosis.repairs import Prices
from tests.core.diagnosis.flows import HORN, horn
from tests.shelf import SHELF
from tests.simulation.savings import ACCESS, PLATFORM, Shop, saving
from tests.simulation.worlds import drawn


def test_suggestions_save_minutes() -> None:
    found = saving(SHELF["brake-lamps-off"], worlds=1, taught=200)
    assert found.suggested < 0.95 * found.written


def test_the_written_order_costs_its_steps_its_set_ups_and_its_repair() -> None:
    """A horn that never works, tests that never err: press 1, supply 4, ground 2, power 3 minutes, one set-up each of
    cabin and bumper, the new horn 15 minutes and 28 of the currency at 60 an hour."""
    flow = horn()
    rng = np.random.default_rng(1)
    world = drawn(rng, flow, errors=(0.0, 0.0), strange=0.0)
    certain = {
        "press": "click", "supply": "full", "ground": "good", "direct": "silent",
    }  # fmt: skip
    table = {
        step.key: np.array([[float(o.key == certain[step.key])] * len(world.causes) for o in step.outcomes])
        for step in flow.steps
    }
    prior = np.array([float(cause == HORN) for cause in world.causes])
    world = replace(
        world, table=table, prior={PLATFORM: prior}, minutes={step.key: step.minutes or 0.0 for step in flow.steps}
    )
    model = model_of(flow, {}, as_of="2026-01", access_minutes=ACCESS)
    shop = Shop(world, model, Prices(), rng)
    set_ups = sum(ACCESS.get(state, 0.0) for state in ("cabin", "bumper-off"))
    assert shop.as_written() == pytest.approx(1 + 4 + 2 + 3 + set_ups + 15 + 28)
    assert 15 + 28 <= shop.as_suggested() <= shop.as_written() + 120
