"""Short form of :mod:`tests.simulation.recalibration`: one shop of two procedures in two of the settings."""

from __future__ import annotations

import pytest

from tests.simulation.recalibration import PROCEDURES, SETTINGS, Setting, calibrated, corrected, shop


@pytest.mark.parametrize("setting", [SETTINGS[2], SETTINGS[4]], ids=lambda setting: setting.words)
def test_correction_by_earlier_forecasts_makes_later_ones_truer(setting: Setting) -> None:
    found = shop(setting, 7, 300, PROCEDURES[:2])
    raw, told = calibrated(found), calibrated(corrected(found))
    assert told.loss < raw.loss
    assert told.error < max(raw.error, 0.03)
    assert told.held >= raw.held
