"""Expected resistances of temperature sensors: thermistors and platinum sensors."""

from __future__ import annotations

import math

from shopkb.core.readings.computations import Computation, Expected, Given, Input, amount, words
from shopkb.core.readings.quantities import ReadingError

ZERO_CELSIUS = 273.15


def beta_resistance(reference_resistance: float, beta: float, temperature: float, reference: float = 25.0) -> float:
    """R = R0 exp(beta (1/T - 1/T0)); resistances in ohm, beta in K, temperatures in degC."""
    return reference_resistance * math.exp(beta * (1 / (temperature + ZERO_CELSIUS) - 1 / (reference + ZERO_CELSIUS)))


def alpha_resistance(start_resistance: float, alpha: float, start: float, temperature: float) -> float:
    """R = Rx exp(alpha/100 Tx^2 (1/T - 1/Tx)); alpha in % per K at Tx, resistances in ohm, temperatures in degC.

    The step formula of thermistor catalogues, good over some ten kelvin.
    """
    kelvin = start + ZERO_CELSIUS
    return start_resistance * math.exp(alpha / 100 * kelvin**2 * (1 / (temperature + ZERO_CELSIUS) - 1 / kelvin))


def steinhart_hart_temperature(a: float, b: float, c: float, resistance: float) -> float:
    """1/T = A + B ln R + C (ln R)^3; temperature in degC, resistance in ohm."""
    log = math.log(resistance)
    return 1 / (a + b * log + c * log**3) - ZERO_CELSIUS


def steinhart_hart_resistance(a: float, b: float, c: float, temperature: float) -> float:
    """The resistance in ohm at a temperature in degC: the real root of the cubic, for b > 0 and c >= 0."""
    wanted = a - 1 / (temperature + ZERO_CELSIUS)
    log = -wanted / b
    if c > 0:
        half, third = wanted / (2 * c), b / (3 * c)
        root = math.sqrt(third**3 + half**2)
        log = math.copysign(abs(root - half) ** (1 / 3), root - half) - (root + half) ** (1 / 3)
        for _ in range(3):  # Newton steps restore the digits lost where the two roots nearly cancel
            log -= (wanted + b * log + c * log**3) / (b + 3 * c * log**2)
    return math.exp(log)


def platinum_resistance(temperature: float, nominal: float = 100.0) -> float:
    """Resistance in ohm by IEC 60751, -200 to 850 degC; ``nominal`` is the resistance at 0 degC."""
    cubic = -4.183e-12 * (temperature - 100) * temperature**3 if temperature < 0 else 0.0
    return nominal * (1 + 3.9083e-3 * temperature - 5.775e-7 * temperature**2 + cubic)


def _thermistor_beta(given: Given) -> Expected:
    temperature = given["temperature"]
    value = beta_resistance(given["resistance"], given["beta"], temperature, given["reference"])
    return _at(value, temperature, f"a thermistor of beta {given['beta']:g} K")


def _thermistor_alpha(given: Given) -> Expected:
    temperature = given["temperature"]
    value = alpha_resistance(given["resistance"], given["alpha"], given["start"], temperature)
    return _at(value, temperature, f"a thermistor falling {given['alpha']:g} % per kelvin")


def _steinhart_hart(given: Given) -> Expected:
    a, b, c = _coefficients(given)
    temperature = given["temperature"]
    try:
        value = steinhart_hart_resistance(a, b, c, temperature)
    except OverflowError as error:
        raise _bad_coefficients() from error
    return _at(value, temperature, "a thermistor by the Steinhart-Hart equation")


def _thermistor_temperature(given: Given) -> Expected:
    a, b, c = _coefficients(given)
    log = math.log(given["resistance"])
    if a + b * log + c * log**3 <= 0:
        raise _bad_coefficients()
    value = steinhart_hart_temperature(a, b, c, given["resistance"])
    how = f"a thermistor of {words(given['resistance'], 'ohm')} is at {words(value, 'degC')} by Steinhart-Hart"
    return Expected(None, amount(value, "degC"), None, how)


def _coefficients(given: Given) -> tuple[float, float, float]:
    return given["a"], given["b"], given["c"]


def _bad_coefficients() -> ReadingError:
    return ReadingError(
        "The coefficients a, b and c give no thermistor curve", "Copy all three from the data sheet, with their powers"
    )


def _platinum(given: Given) -> Expected:
    temperature, nominal = given["temperature"], given["nominal"]
    fixed, growing = {"a": (0.15, 0.002), "b": (0.30, 0.005)}[given.word("grade")]
    if given.word("grade") == "a" and temperature > 600:
        raise ReadingError("platinum-sensor: grade a ends at 600 °C", "Give grade b, or a lower temperature")
    tolerance = fixed + growing * abs(temperature)
    value = platinum_resistance(temperature, nominal)
    slope = nominal * (3.9083e-3 - 2 * 5.775e-7 * temperature)
    if temperature < 0:
        slope -= nominal * 4.183e-12 * (4 * temperature**3 - 300 * temperature**2)
    how = f"a platinum sensor at {words(temperature, 'degC')} shows {words(value, 'ohm', 5)}"
    ends = (amount(value - tolerance * slope, "ohm"), amount(value + tolerance * slope, "ohm"))
    return Expected(ends[0], amount(value, "ohm"), ends[1], how)


def _at(value: float, temperature: float, what: str) -> Expected:
    how = f"{what} shows {words(value, 'ohm')} at {words(temperature, 'degC')}"
    return Expected(None, amount(value, "ohm"), None, how)


def _temperature(name: str, meaning: str, default: str = "", low: float = -60, high: float = 350) -> Input:
    return Input(name, meaning, "temperature", "degC", not default, default, (), low, high)


_CURVE = (
    Input("a", "coefficient A of the data sheet", low=0, high=1),
    Input("b", "coefficient B of the data sheet", low=1e-9, high=1),
    Input("c", "coefficient C of the data sheet", low=0, high=1),
)
_HERE = _temperature("temperature", "the temperature of the sensor")

COMPUTATIONS = (
    Computation(
        "thermistor-beta",
        "resistance",
        (
            Input(
                "resistance", "the resistance at the reference temperature", "resistance", "ohm", low=0.001, high=1e9
            ),
            Input("beta", "beta of the data sheet, in kelvin", low=100, high=10000),
            _HERE,
            _temperature("reference", "the temperature the resistance is for", "25 degC"),
        ),
        _thermistor_beta,
        "Resistance of a thermistor from one point and beta; up to 4 % off the full curve at 0 °C",
        "R = R0 exp(beta (1/T - 1/T0)), T in kelvin",
    ),
    Computation(
        "thermistor-alpha",
        "resistance",
        (
            Input("resistance", "the resistance at the start temperature", "resistance", "ohm", low=0.001, high=1e9),
            Input("alpha", "alpha of the data sheet, in % per kelvin", low=0.1, high=20),
            _temperature("start", "the temperature the resistance and alpha are for"),
            _HERE,
        ),
        _thermistor_alpha,
        "Resistance of a thermistor a few kelvin from a point of its table",
        "R = Rx exp(alpha/100 Tx^2 (1/T - 1/Tx)), step formula of thermistor catalogues",
    ),
    Computation(
        "thermistor-steinhart-hart",
        "resistance",
        (*_CURVE, _HERE),
        _steinhart_hart,
        "Resistance of a thermistor from the three coefficients of its data sheet",
        "1/T = A + B ln R + C (ln R)^3 (Steinhart and Hart 1968)",
    ),
    Computation(
        "thermistor-temperature",
        "temperature",
        (*_CURVE, Input("resistance", "the resistance measured", "resistance", "ohm", low=0.001, high=1e9)),
        _thermistor_temperature,
        "Temperature of a thermistor from its resistance and the three coefficients of its data sheet",
        "1/T = A + B ln R + C (ln R)^3 (Steinhart and Hart 1968)",
    ),
    Computation(
        "platinum-sensor",
        "resistance",
        (
            _temperature("temperature", "the temperature of the sensor", "", -200, 850),
            Input("nominal", "the resistance at 0 °C", "resistance", "ohm", False, "100 ohm", (), 1, 10000),
            Input("grade", "the tolerance class", "", "", False, "b", ("a", "b")),
        ),
        _platinum,
        "Resistance of a platinum sensor, with the ends of its tolerance class",
        "IEC 60751",
    ),
)
