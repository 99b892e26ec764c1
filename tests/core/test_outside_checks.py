"""Every row of the published checks, computed here and compared with the figures the row itself prints.

The table names the source of each row. Other tests hold the same ground more closely; this one holds that no row is
left out.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from decimal import Decimal

import pytest

from shopkb.charts.shapes import SHAPES
from shopkb.core.identifiers import check_vin
from shopkb.core.readings.accuracy import Accuracy, limit_of_error
from shopkb.core.readings.bands import Interval
from shopkb.core.readings.expected import compute
from shopkb.core.readings.fluids import charge_from_voltage, water_boiling
from shopkb.core.readings.judgement import conformance_probability
from shopkb.core.readings.quantities import Quantity
from shopkb.core.readings.sensors import steinhart_hart_temperature
from shopkb.core.readings.wiring import copper_resistance, gauge_area, gauge_diameter
from tests.core.readings.published import rows
from tests.web.test_contrast import contrast

CHECKS = {row["id"]: row for row in rows("outside_checks")}
BAR = 100_000.0
AIR = 1.01325
INFINITE = float("inf")


def value(name: str, unit: str, **inputs: str) -> float:
    return float(compute(name, inputs, {}).value.exact(unit))


def gauge() -> list[float]:
    return [gauge_diameter(14), copper_resistance(gauge_area(14)) * 1000]


def drops() -> list[float]:
    cable = {"area": "2.5 mm2", "length": "3 m", "current": "25 A"}
    return [value("copper-cable-drop", "V", **cable, temperature=f"{at} degC") for at in (20, 85)]


def charges() -> list[float]:
    return [charge_from_voltage(volts) for volts in (12.24, 12.35)]


def curve() -> list[float]:
    said = {row["name"]: float(row["value"]) for row in rows("ntc_equations") if row["name"] in "ABC"}
    return [steinhart_hart_temperature(said["A"], said["B"], said["C"], ohms) for ohms in (32650.9, 97006.9)]


def alpha_step() -> list[float]:
    start = {"resistance": f"{4700 * 2.2739:.4f} ohm", "alpha": "4.4", "start": "5 degC", "temperature": "7 degC"}
    return [value("thermistor-alpha", "ohm", **start)]


def platinum() -> list[float]:
    return [value("platinum-sensor", "ohm", temperature=f"{at} degC") for at in (-100, 0, 100, 200)]


def water() -> list[float]:
    return [water_boiling((AIR + gauge) * BAR) for gauge in (0.0, 1.0, 1.4)]


def check_digits() -> list[float]:
    return [float(check_vin(vin).expected) for vin in ("1G4AH59H05G118341", "1J9RP1A30A1644345")]


def conformance() -> list[float]:
    return [
        conformance_probability(Interval(12.5, 16.3), 13.6, 1.8),
        conformance_probability(Interval(-INFINITE, -5.40), -5.47, 0.05),
    ]


def meter_limits() -> list[float]:
    found = []
    for typed, percent, counts, step in (("120.0", "1", "3", "0.1"), ("2.0000", "0.5", "10", "0.0001")):
        shown, top, digit = (Quantity(Decimal(size), "V") for size in (typed, "200", step))
        found.append(limit_of_error(shown, Accuracy("voltage", top, Decimal(percent), Decimal(counts), digit)))
    return found


def guard_band() -> list[float]:
    """At the acceptance limit, U = 2 u inside the limit."""
    return [1 - conformance_probability(Interval(-INFINITE, 10.0), 10.0 - 2 * 0.3, 0.3)]


def contrasts() -> list[float]:
    return [contrast(grey, "#FFFFFF") for grey in ("#767676", "#777777")]


def fan() -> list[float]:
    return [value("current-from-power", "A", power="400 W", voltage="13.5 V")]


def glycol() -> list[float]:
    return [value("coolant-boiling-point", "degC", pressure=f"{gauge} bar") for gauge in (0, 1.034)]


NUMBERS: dict[str, Callable[[], list[float]]] = {
    "OC01": gauge, "OC02": drops, "OC03": charges, "OC04": curve, "OC05": alpha_step, "OC06": platinum,
    "OC07": water, "OC08": check_digits, "OC11": conformance,
    "OC12": meter_limits, "OC13": guard_band, "OC14": contrasts, "OC15": fan, "OC16": glycol,
}  # fmt: skip


def test_no_row_is_left_out() -> None:
    assert set(CHECKS) == {*NUMBERS, "OC17"}


def printed(row: dict[str, str]) -> tuple[list[float], list[float]]:
    """The figures of a row and how far each may be away; the last limit holds for all that follow."""
    text = re.sub(r"\([^)]*\)", "", row["expected"]).rpartition("digits")[2]
    figures = [float(part) for part in re.findall(r"-?\d+(?:\.\d+)?", text.replace("mohm/m", ""))]
    limits = [float(part) for part in re.findall(r"\d+(?:\.\d+)?(?:e-\d+)?", row["tolerance"])] or [0.0]
    return figures, limits + [limits[-1]] * (len(figures) - len(limits))


@pytest.mark.parametrize("key", NUMBERS)
def test_a_published_check(key: str) -> None:
    figures, limits = printed(CHECKS[key])
    found = NUMBERS[key]()
    assert len(found) == len(figures) >= 1
    # 1e-9 more, for figures whose own rounding is their limit.
    assert [abs(one - other) <= limit + 1e-9 for one, other, limit in zip(found, figures, limits, strict=True)] == [
        True
    ] * len(figures), (found, figures)


def test_the_drawing_tool_knows_every_shape() -> None:
    """OC17: nothing on the error channel of the drawing library, and never its own shape of that name."""
    assert "terminator" not in {shape["shape"] for shape in SHAPES.values()}
    said = [", ".join(f'{name}="{text}"' for name, text in shape.items()) for shape in SHAPES.values()]
    dot = "".join(f"n{place} [{shape}, width=1, height=1, label=x];" for place, shape in enumerate(said))
    draw = "import sys, pygraphviz; pygraphviz.AGraph(sys.argv[1]).draw(format='svg', prog='dot')"
    drawn = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", draw, f"digraph {{{dot}}}"], capture_output=True, text=True, check=True
    )
    assert [line for line in drawn.stderr.splitlines() if not line.startswith("Fontconfig")] == []
