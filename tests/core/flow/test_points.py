from __future__ import annotations

import pytest

from shopkb.core.flow.points import Point, points


@pytest.mark.parametrize(
    ("prose", "said"),
    [
        ("", ()),
        ("Fit a new relay.", (Point("Fit a new relay"),)),
        ("Start it **ten times**. Ripple under 100 mV.", (Point("Start it ten times"),
                                                        Point("Ripple under 100 mV", True, "mV"))),
        ("- Level right, bled\n- cap tested\n  or new", (Point("Level right, bled"), Point("cap tested or new"))),
        ("1. Lamp out.\n2. Battery at its posts over\n   **9.6 V** while cranking.",
         (Point("Lamp out"), Point("Battery at its posts over 9.6 V while cranking", True, "V"))),
        ("Blower high, 1500 1/min, ten minutes: vent at **10 °C or colder**.",
         (Point("Blower high, 1500 1/min, ten minutes: vent at 10 °C or colder", True, "degC"),)),
        ("Current at each speed written down.", (Point("Current at each speed written down", True),)),
        ("Drive under 30 min. After 500 km.", (Point("Drive under 30 min"), Point("After 500 km"))),
    ],
    ids=["nothing", "one", "sentences", "list", "numbers", "set-up", "no-unit", "only-how-long"],
)  # fmt: skip
def test_prose_as_points(prose: str, said: tuple[Point, ...]) -> None:
    assert points(prose) == said
