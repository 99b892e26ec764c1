"""What may be given to each computation, written down a second time: a range that changes shows here too."""

from __future__ import annotations

from shopkb.core.readings.expected import COMPUTATIONS

RANGES = """\
copper-cable-drop | area | mm2 |  | 0.01 | 400 | optional
copper-cable-drop | gauge |  |  | 0 | 40 | optional
copper-cable-drop | length | m |  | 0 | 1000 | needed
copper-cable-drop | current | A |  | 0 | 5000 | needed
copper-cable-drop | temperature | degC | 20 degC | -50 | 200 | optional
current-from-power | power | W |  | 0 | 1e+06 | needed
current-from-power | voltage | V |  | 0.001 | 1000 | needed
resistance-drop | resistance | ohm |  | 0 | 1e+06 | needed
resistance-drop | current | A |  | 0 | 5000 | needed
resistor-at-temperature | resistance | ohm |  | 0 |  | needed
resistor-at-temperature | temperature | degC |  | -50 | 300 | needed
resistor-at-temperature | coefficient |  | 0.00393 | -0.1 | 0.1 | optional
resistor-at-temperature | reference | degC | 20 degC | -50 | 300 | optional
joint-drop | total | V |  |  |  | needed
joint-drop | joints |  |  | 1 | 1000 | needed
duty-to-mean-voltage | duty | % |  | 0 | 100 | needed
duty-to-mean-voltage | supply | V |  | 0 | 1000 | needed
duty-to-mean-voltage | switched |  | supply |  |  | optional
thermistor-beta | resistance | ohm |  | 0.001 | 1e+09 | needed
thermistor-beta | beta |  |  | 100 | 10000 | needed
thermistor-beta | temperature | degC |  | -60 | 350 | needed
thermistor-beta | reference | degC | 25 degC | -60 | 350 | optional
thermistor-alpha | resistance | ohm |  | 0.001 | 1e+09 | needed
thermistor-alpha | alpha |  |  | 0.1 | 20 | needed
thermistor-alpha | start | degC |  | -60 | 350 | needed
thermistor-alpha | temperature | degC |  | -60 | 350 | needed
thermistor-steinhart-hart | a |  |  | 0 | 1 | needed
thermistor-steinhart-hart | b |  |  | 1e-09 | 1 | needed
thermistor-steinhart-hart | c |  |  | 0 | 1 | needed
thermistor-steinhart-hart | temperature | degC |  | -60 | 350 | needed
thermistor-temperature | a |  |  | 0 | 1 | needed
thermistor-temperature | b |  |  | 1e-09 | 1 | needed
thermistor-temperature | c |  |  | 0 | 1 | needed
thermistor-temperature | resistance | ohm |  | 0.001 | 1e+09 | needed
platinum-sensor | temperature | degC |  | -200 | 850 | needed
platinum-sensor | nominal | ohm | 100 ohm | 1 | 10000 | optional
platinum-sensor | grade |  | b |  |  | optional
battery-rest-voltage | charge | % |  | 0 | 100 | needed
battery-state-of-charge | voltage | V |  | 6 | 13.5 | needed
coolant-boiling-point | pressure | bar | 0 bar | 0 | 3 | optional
coolant-boiling-point | glycol | % | 50 % | 0 | 60 | optional
coolant-boiling-point | height | m | 0 m | -500 | 5000 | optional
"""
"""Computation, input, unit, what is taken where nothing is given, least and most, whether it is needed."""


def told(number: float | None) -> str:
    return "" if number is None else f"{number:g}"


def test_each_input_has_the_range_that_is_written_down() -> None:
    found = [
        f"{name} | {each.name} | {each.unit} | {each.default} | {told(each.low)} | {told(each.high)} | "
        f"{'needed' if each.needed else 'optional'}"
        for name, computation in COMPUTATIONS.items()
        for each in computation.inputs
    ]
    assert found == RANGES.splitlines()
