"""Short form of :mod:`tests.simulation.savings`: a shipped procedure, and a job by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shopkb.core.diagnosis.advice.repairs import Prices
from tests.core.diagnosis.flows import HORN, horn
from tests.core.diagnosis.learning import model_of
from tests.shelf import DEMO, read
from tests.simulation.savings import ACCESS, PLATFORM, Shop, both, faults
from tests.simulation.savings_table import Both, Saving
from tests.simulation.worlds import World, drawn


def certain_horn() -> World:
    """A horn that never works, tests that never err: press 1, supply 4, ground 2, power 3 minutes."""
    flow = horn()
    world = drawn(np.random.default_rng(1), flow, errors=(0.0, 0.0), strange=0.0)
    shown = {"press": "click", "supply": "full", "ground": "good", "direct": "silent"}
    table = {
        step.key: np.array([[float(o.key == shown[step.key])] * len(world.causes) for o in step.outcomes])
        for step in flow.steps
    }
    prior = np.array([float(cause == HORN) for cause in world.causes])
    return replace(
        world, table=table, prior={PLATFORM: prior}, minutes={step.key: step.minutes or 0.0 for step in flow.steps}
    )


def test_suggestions_save_minutes() -> None:
    """On the edition whose order is bad on purpose: of a good order there is little to save."""
    found = both(read(DEMO / "editions" / "brake-lamps-off.yaml"), [1, 1], taught=200)
    assert found.suggested < 0.95 * found.written
    assert found.floor < found.suggested


def test_the_written_order_costs_its_steps_its_set_ups_and_its_repair() -> None:
    """One set-up each of cabin and bumper, the new horn 15 minutes and 28 of the currency at 60 an hour."""
    world = certain_horn()
    shop = Shop(world, model_of(world.flow, {}, as_of="2026-01", access_minutes=ACCESS), Prices())
    (fault, *others) = faults(np.random.default_rng(1), world, jobs=3)
    assert len(others) == 2 and fault.weight == pytest.approx(1 / 3)
    assert fault.shows == {"press": "click", "supply": "full", "ground": "good", "direct": "silent"}
    set_ups = sum(ACCESS.get(state, 0.0) for state in ("cabin", "bumper-off"))
    assert shop.as_written(fault) == pytest.approx(1 + 4 + 2 + 3 + set_ups + 15 + 28)
    assert shop.floor() <= shop.as_suggested(fault) <= shop.as_written(fault) + 120


def test_a_saving_tells_its_share_and_how_sure_it_is() -> None:
    found = Saving.of("p", [Both(100.0, 90.0, 80.0, 70.0), Both(120.0, 100.0, float("nan"), 70.0)])
    assert (found.written, found.suggested, found.best) == pytest.approx((110.0, 95.0, 0.8))
    assert found.error == pytest.approx(np.std([10, 20], ddof=1) / 2**0.5)
    assert found.line == "| p | 2 | 110.0 | 95.0 | +15.0 ± 9.8 | +13.6% | 0.800 | 0.636 |"
