"""Expected values of a battery at rest and of coolant: state of charge, boiling points."""

from __future__ import annotations

import math
from itertools import pairwise

from shopkb.core.readings.computations import Computation, Expected, Given, Input, amount, words

REST_VOLTAGE = ((0.0, 11.89), (25.0, 12.06), (50.0, 12.24), (75.0, 12.45), (100.0, 12.65))
"""State of charge in % and rested voltage in V of a 12 V flooded lead-acid battery at 26.7 degC (BCI-form table)."""

AIR_PRESSURE = 101325.0
"""Pa at sea level in the standard atmosphere (ISO 2533)."""

_SATURATION = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
    0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849e0, 0.65017534844798e3,
)  # fmt: skip


def charge_from_voltage(voltage: float) -> float:
    """State of charge in % from the rested voltage in V, on straight lines between the rows; 0 and 100 beyond."""
    return _between([(volts, charge) for charge, volts in REST_VOLTAGE], voltage)


def voltage_from_charge(charge: float) -> float:
    """Rested voltage in V from the state of charge in %, on straight lines between the rows."""
    return _between(list(REST_VOLTAGE), charge)


def _between(rows: list[tuple[float, float]], x: float) -> float:
    if x <= rows[0][0]:
        return rows[0][1]
    for (left, low), (right, high) in pairwise(rows):
        if x <= right:
            return low + (high - low) * (x - left) / (right - left)
    return rows[-1][1]


def water_boiling(pressure: float) -> float:
    """Boiling point of water in degC at an absolute pressure in Pa (IAPWS-IF97, region 4, 611 Pa to 22 MPa)."""
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _SATURATION
    beta = math.pow(pressure / 1e6, 0.25)
    e = beta**2 + n3 * beta + n6
    f = n1 * beta**2 + n4 * beta + n7
    g = n2 * beta**2 + n5 * beta + n8
    d = 2 * g / (-f - math.sqrt(f**2 - 4 * e * g))
    return (n10 + d - math.sqrt(math.pow(n10 + d, 2) - 4 * (n9 + n10 * d))) / 2 - 273.15


def air_pressure(height: float) -> float:
    """Air pressure in Pa at a height in m, standard atmosphere (ISO 2533), up to 11 km."""
    return float(AIR_PRESSURE * (1 - 2.25577e-5 * height) ** 5.25588)


def glycol_mole_fraction(share: float) -> float:
    """Moles of ethylene glycol over all moles, from its share of the volume (0 to 1) at 20 degC."""
    glycol, water = share * 1113.2 / 62.068, (1 - share) * 998.2 / 18.015
    return glycol / (glycol + water)


def coolant_boiling(gauge_pressure: float, share: float = 0.5, height: float = 0.0) -> float:
    """Boiling point in degC of glycol and water; pressure in Pa above the air's, share of the volume, height in m.

    Raoult's law with glycol taken as not boiling, less 1 K at 50 %: half way between that law, other models and the
    figures quoted in the trade.
    """
    fraction = glycol_mole_fraction(share)
    return water_boiling((air_pressure(height) + gauge_pressure) / (1 - fraction)) - fraction / glycol_mole_fraction(
        0.5
    )


def _rest_voltage(given: Given) -> Expected:
    value = voltage_from_charge(given["charge"])
    how = f"a rested 12 V battery at {words(given['charge'], '%')} charge shows {words(value, 'V')}"
    return Expected(None, amount(value, "V"), None, how)


def _charge(given: Given) -> Expected:
    value = charge_from_voltage(given["voltage"])
    how = f"a rested 12 V battery showing {words(given['voltage'], 'V')} is charged to about {words(value, '%', 3)}"
    return Expected(None, amount(value, "%"), None, how)


def _boiling(given: Given) -> Expected:
    pressure, share, height = given["pressure"], given["glycol"] / 100, given["height"]
    value = coolant_boiling(pressure * 1e5, share, height)
    mix = "water" if share == 0 else f"{words(given['glycol'], '%')} glycol"
    how = f"{mix} under {words(pressure, 'bar')} of gauge pressure boils at about {words(value, 'degC', 3)}"
    if share == 0:
        return Expected(None, amount(value, "degC"), None, how)
    spread = 1.5 if pressure == 0 else 2.0
    return Expected(amount(value - spread, "degC"), amount(value, "degC"), amount(value + spread, "degC"), how)


COMPUTATIONS = (
    Computation(
        "battery-rest-voltage",
        "voltage",
        (Input("charge", "the state of charge", "ratio", "%", low=0, high=100),),
        _rest_voltage,
        "Voltage of a rested 12 V flooded lead-acid battery at a state of charge, at 27\N{NO-BREAK SPACE}°C",
        "BCI-form table as reprinted by battery suppliers; other tables differ by 0.05 to 0.1 V lower down",
    ),
    Computation(
        "battery-state-of-charge",
        "ratio",
        (Input("voltage", "the voltage at rest, nothing switched on", "voltage", "V", low=6, high=13.5),),
        _charge,
        "State of charge of a 12 V flooded lead-acid battery from its rested voltage, at 27\N{NO-BREAK SPACE}°C",
        "BCI-form table as reprinted by battery suppliers, straight lines between its rows",
    ),
    Computation(
        "coolant-boiling-point",
        "temperature",
        (
            Input("pressure", "the gauge pressure of the cap", "pressure", "bar", False, "0 bar", (), 0, 3),
            Input("glycol", "the share of glycol by volume", "ratio", "%", False, "50 %", (), 0, 60),
            Input("height", "the height above sea level", "length", "m", False, "0 m", (), -500, 5000),
        ),
        _boiling,
        "Boiling point of coolant under its cap",
        "IAPWS-IF97 for water, Raoult's law for glycol, less 1 K at 50 % to meet figures quoted in the trade",
    ),
)
