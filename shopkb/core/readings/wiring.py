"""Expected values of wiring and loads: copper cable, loads by power, joints, duty cycle."""

from __future__ import annotations

import math

from shopkb.core.readings.computations import Computation, Expected, Factor, Given, Input, amount, words
from shopkb.core.readings.quantities import ReadingError

COPPER_RESISTIVITY = 1 / 58
"""ohm mm2/m at 20 degC (IEC 60028)."""

COPPER_COEFFICIENT = 0.00393
"""1/K at 20 degC (IEC 60028)."""

FLEXIBLE_MAXIMUM = {
    0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.3, 10.0: 1.91, 16.0: 1.21, 25.0: 0.78,
}  # fmt: skip
"""Largest resistance of flexible plain copper cable, mohm/m at 20 degC, by area in mm2 (IEC 60228, class 5)."""

FLEXIBLE_SHARE = 1.16
"""Flexible cable between the sizes of the standard: the largest share over ideal copper that class 5 allows."""


def copper_resistance(area_mm2: float, temperature: float = 20.0) -> float:
    """Resistance of ideal copper in ohm/m, temperature in degC."""
    return COPPER_RESISTIVITY / area_mm2 * warmed(temperature)


def flexible_resistance(area_mm2: float, temperature: float = 20.0) -> float:
    """Largest resistance of flexible cable (IEC 60228 class 5) in ohm/m, temperature in degC."""
    if area_mm2 in FLEXIBLE_MAXIMUM:
        return FLEXIBLE_MAXIMUM[area_mm2] / 1000 * warmed(temperature)
    return FLEXIBLE_SHARE * copper_resistance(area_mm2, temperature)


def warmed(temperature: float, coefficient: float = COPPER_COEFFICIENT, reference: float = 20.0) -> float:
    """R / R20 = 1 + 0.00393 (T - 20): about 1 percent from -50 to 200 degC."""
    return 1 + coefficient * (temperature - reference)


def gauge_diameter(gauge: float) -> float:
    """Diameter in mm of a wire of American gauge (ASTM B258): 0.127 * 92 ** ((36 - n) / 39)."""
    return float(0.127 * 92 ** ((36 - gauge) / 39))


def gauge_area(gauge: float) -> float:
    """Area in mm2 of a wire of American gauge (ASTM B258)."""
    return math.pi / 4 * gauge_diameter(gauge) ** 2


def _cable_drop(given: Given) -> Expected:
    if ("area" in given) == ("gauge" in given):
        raise ReadingError("copper-cable-drop needs either area or gauge", "Give one: area 2.5 mm2, or gauge 14")
    temperature, load = given["temperature"], given["length"] * given["current"]
    if "gauge" in given:
        ideal = copper_resistance(gauge_area(given["gauge"]), temperature)
        usual, most, size = ideal, 1.05 * ideal, f"AWG {given['gauge']:g}"
    else:
        area = given["area"]
        ideal = copper_resistance(area, temperature)
        usual = most = flexible_resistance(area, temperature)
        size = f"{area:g} mm²"
    low, value, high = (amount(each * load, "V") for each in (ideal, usual, most))
    how = (
        f"{words(given['current'], 'A')} through {words(given['length'], 'm')} of {size} copper at "
        f"{words(temperature, 'degC')} loses {words(usual * load, 'V', 3)}"
    )
    return Expected(low, value, high, how)


def _current(given: Given) -> Expected:
    power, voltage = given["power"], given["voltage"]
    how = f"{words(power, 'W')} at {words(voltage, 'V')} draws {words(power / voltage, 'A')}"
    return Expected(None, amount(power / voltage, "A"), None, how)


def _resistance_drop(given: Given) -> Expected:
    resistance, current = given["resistance"], given["current"]
    lost = resistance * current
    how = f"{words(current, 'A')} through {words(resistance, 'ohm')} loses {words(lost, 'V', 3)}"
    return Expected(None, amount(lost, "V"), None, how)


def _resistor(given: Given) -> Expected:
    temperature, cold = given["temperature"], given["resistance"]
    factor = warmed(temperature, given["coefficient"], given["reference"])
    if factor <= 0:
        raise ReadingError(
            "resistor-at-temperature: the coefficient gives no resistance at this temperature",
            "Give a coefficient such as 0.00393 for copper",
        )
    hot = cold * factor
    at = words(given["reference"], "degC")
    how = f"{words(cold, 'ohm')} at {at} becomes {words(hot, 'ohm')} at {words(temperature, 'degC')}"
    return Expected(None, amount(hot, "ohm"), None, how)


def _joint(given: Given) -> Expected:
    total, joints = given["total"], given["joints"]
    if joints != int(joints):
        raise ReadingError("joints of joint-drop: a part of a joint cannot be", "Give a whole number of joints")
    each = total / joints
    how = f"{words(total, 'V')} shared over {int(joints)} joints is {words(each, 'V')} for each"
    return Expected(None, amount(each, "V"), None, how)


def _mean_voltage(given: Given) -> Expected:
    supply, share = given["supply"], given["duty"] / 100
    mean = supply * (share if given.word("switched") == "supply" else 1 - share)
    how = (
        f"{words(given['duty'], '%')} on at {words(supply, 'V')}, {given.word('switched')} switched, "
        f"shows {words(mean, 'V')} on a meter that averages"
    )
    return Expected(None, amount(mean, "V"), None, how)


COMPUTATIONS = (
    Computation(
        "copper-cable-drop",
        "voltage",
        (
            Input("area", "the copper area of the cable", "area", "mm2", needed=False, low=0.01, high=400),
            Input("gauge", "the American wire gauge, in place of the area", needed=False, low=0, high=40),
            Input("length", "the length of all conductors the current passes", "length", "m", low=0, high=1000),
            Input("current", "the current while measuring", "current", "A", low=0, high=5000),
            Input(
                "temperature", "the temperature of the copper", "temperature", "degC", False, "20 degC", (), -50, 200
            ),
        ),
        _cable_drop,
        "Voltage a sound copper cable loses: the most for flexible cable, with ideal copper as the low end",
        "IEC 60028, IEC 60228 class 5, ASTM B258",
        {
            "area": Factor(
                -1,
                FLEXIBLE_SHARE * COPPER_RESISTIVITY,
                {area: most / 1000 for area, most in FLEXIBLE_MAXIMUM.items()},
            ),
            "length": Factor(),
            "current": Factor(),
        },
    ),
    Computation(
        "current-from-power",
        "current",
        (
            Input("power", "the electrical power", "power", "W", low=0, high=1e6),
            Input("voltage", "the voltage at the load", "voltage", "V", low=0.001, high=1000),
        ),
        _current,
        "Current of a load of known electrical power",
        "P = U I",
        {"power": Factor(), "voltage": Factor(-1)},
    ),
    Computation(
        "resistance-drop",
        "voltage",
        (
            Input("resistance", "the resistance allowed to the contact or joint", "resistance", "ohm", low=0, high=1e6),
            Input("current", "the current while measuring", "current", "A", low=0, high=5000),
        ),
        _resistance_drop,
        "Voltage lost across a resistance, such as a contact or a joint",
        "U = R I",
        {"resistance": Factor(), "current": Factor()},
    ),
    Computation(
        "resistor-at-temperature",
        "resistance",
        (
            Input("resistance", "the resistance at the reference temperature", "resistance", "ohm", low=0),
            Input("temperature", "the temperature while measuring", "temperature", "degC", True, "", (), -50, 300),
            Input("coefficient", "the change per kelvin", "", "", False, "0.00393", (), -0.1, 0.1),
            Input(
                "reference", "the temperature the figure is for", "temperature", "degC", False, "20 degC", (), -50, 300
            ),
        ),
        _resistor,
        "Resistance of a winding or wire at another temperature, copper unless said otherwise",
        "R = R20 (1 + a (T - 20)), a = 0.00393 per K for copper (IEC 60028)",
    ),
    Computation(
        "joint-drop",
        "voltage",
        (
            Input("total", "the drop over all joints", "voltage", "V"),
            Input("joints", "how many joints share it", low=1, high=1000),
        ),
        _joint,
        "A drop shared evenly over the joints it passes",
        "voltages in series add up (Kirchhoff)",
    ),
    Computation(
        "duty-to-mean-voltage",
        "voltage",
        (
            Input("duty", "the share of time the load is on", "ratio", "%", low=0, high=100),
            Input("supply", "the supply voltage", "voltage", "V", low=0, high=1000),
            Input("switched", "the side that is switched", "", "", False, "supply", ("supply", "earth")),
        ),
        _mean_voltage,
        "What an averaging meter shows at a load driven in pulses, from the switched pin to battery negative",
        "mean of a rectangular wave: supply times duty, or times the rest where earth is switched",
        {"supply": Factor()},
    ),
)
