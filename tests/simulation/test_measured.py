"""Short form of :mod:`tests.simulation.measured`: three shops of a setting."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulation.measured import SETTINGS, Setting, compared


@pytest.mark.parametrize("setting", SETTINGS, ids=lambda setting: setting.words)
def test_readings_forecast_better_than_bands_and_never_much_worse(setting: Setting) -> None:
    shops = np.array([compared(setting, seed, jobs=(30, 300), fresh=80) for seed in range(3)])
    gain = (shops[..., 0] - shops[..., 1]).mean(axis=0)
    assert gain.min() > -0.01  # three shops scatter by about as much
    if setting.told and setting.apart:
        assert gain[-1] > 0.01
