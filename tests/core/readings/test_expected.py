"""Expected values against published tables and, for water, the reference implementation of IAPWS-IF97."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from iapws import IAPWS97

from shopkb.core.readings.expected import COMPUTATIONS, computation_help, compute
from shopkb.core.readings.fluids import charge_from_voltage, voltage_from_charge, water_boiling
from shopkb.core.readings.parsing import parse_quantity
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.sensors import steinhart_hart_resistance, steinhart_hart_temperature
from shopkb.core.readings.units import QUANTITIES
from shopkb.core.readings.wiring import copper_resistance, flexible_resistance, gauge_area, gauge_diameter
from tests.core.readings.published import rows
from tests.examples import examples

NTC = {row["name"]: row["value"] for row in rows("ntc_equations")}
CURVE = {name: NTC[name.upper()] for name in "abc"}


def value(name: str, unit: str, **inputs: str) -> float:
    return float(compute(name, inputs, {}).value.exact(unit))


# --- copper ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("copper_awg"), ids=lambda row: row["awg"])
def test_american_gauge(row: dict[str, str]) -> None:
    # ASTM B258 and IEC 60028; OC01 is AWG 14.
    gauge = float(row["awg"])
    assert gauge_diameter(gauge) == pytest.approx(float(row["diameter_mm"]), abs=0.0005)
    ohms = copper_resistance(gauge_area(gauge)) * 1000
    assert ohms == pytest.approx(float(row["resistance_mohm_per_m_at_20C"]), rel=0.001)
    if row["handbook_diameter_mm"]:
        assert gauge_diameter(gauge) == pytest.approx(float(row["handbook_diameter_mm"]), abs=0.002)
    if row["ul1581_solid_plain_max_ohm_per_km_at_20C"]:
        most = float(row["ul1581_solid_plain_max_ohm_per_km_at_20C"])
        high = compute("copper-cable-drop", {"gauge": row["awg"], "length": "1000 m", "current": "1 A"}, {}).high
        assert ohms < most
        assert high is not None
        assert most < high.si() * 1.001  # the high end leaves room for the standard's limit


@pytest.mark.parametrize("row", rows("copper_metric_cable"), ids=lambda row: row["nominal_area_mm2"])
def test_metric_cable(row: dict[str, str]) -> None:
    # IEC 60228 class 5; ideal copper by IEC 60028. The ISO 6722 column is from memory and not asserted.
    area = float(row["nominal_area_mm2"])
    ideal = float(row["ideal_resistance_mohm_per_m_at_20C"])
    assert copper_resistance(area) * 1000 == pytest.approx(ideal, abs=0.0006)
    if row["iec60228_class5_plain_max_mohm_per_m_at_20C"]:
        listed = float(row["iec60228_class5_plain_max_mohm_per_m_at_20C"])
        assert flexible_resistance(area) * 1000 == pytest.approx(listed, abs=1e-9)
        assert flexible_resistance(area + 1e-9) * 1000 >= listed  # between sizes the limit is not tighter
    else:
        assert flexible_resistance(area) * 1000 == pytest.approx(1.16 * ideal, abs=0.001)


@pytest.mark.parametrize("row", rows("voltage_drop_worked"), ids=lambda row: row["case"])
def test_worked_drops(row: dict[str, str]) -> None:
    # OC02 is the first and second row.
    areas = {
        row["iec60228_class5_plain_max_mohm_per_m_at_20C"]: row["nominal_area_mm2"]
        for row in rows("copper_metric_cable")
    }
    per_metre = row["resistance_mohm_per_m_at_20C"]
    wire = {"gauge": "14"} if "AWG 14" in row["case"] else {"area": f"{areas.get(str(float(per_metre)), '')} mm2"}
    if "ISO 6722" in row["case"]:
        wire = {"area": f"{1000 / 58 / 7.6:.6f} mm2"}  # ideal copper of that resistance: the low end
    found = compute(
        "copper-cable-drop",
        {
            **wire,
            "length": f"{row['conductor_length_m']} m",
            "current": f"{row['current_A']} A",
            "temperature": f"{row['conductor_temperature_C']} degC",
        },
        {},
    )
    quantity = found.low if "ISO 6722" in row["case"] else found.value
    assert quantity is not None
    assert quantity.si() == pytest.approx(float(row["voltage_drop_V"]), abs=0.0005)


def test_drop_in_words_and_ends() -> None:
    found = compute(
        "copper-cable-drop",
        {"area": "2.5 mm²", "length": "300 cm", "current": "25 A", "temperature": "85 °C"},
        {},
    )
    assert found.how == "25 A through 3 m of 2.5 mm² copper at 85 °C loses 0.751 V"
    assert found.low is not None
    assert found.low.si() < found.value.si()
    assert found.high == found.value


# --- loads, joints, windings ----------------------------------------------------------------------------------------


def test_resistance_drop() -> None:
    """The largest contact drop a relay's data sheet allows, 0.2 V at 10 A, is 20 mohm (relay_data_seen.csv)."""
    assert value("resistance-drop", "V", resistance="20 mohm", current="10 A") == pytest.approx(0.2)


def test_current_from_power() -> None:
    # OC15: P = U I.
    assert value("current-from-power", "A", power="400 W", voltage="13.5 V") == pytest.approx(29.63, abs=0.005)


def test_winding_at_temperature() -> None:
    # IEC 60028: 0.393 % per kelvin at 20 degC.
    hot = compute("resistor-at-temperature", {"resistance": "88 ohm", "temperature": "85 degC"}, {})
    assert hot.value.si() == pytest.approx(88 * 1.25545, rel=1e-6)
    assert hot.how == "88 Ω at 20 °C becomes 110.5 Ω at 85 °C"
    with pytest.raises(ReadingError) as error:
        compute("resistor-at-temperature", {"resistance": "1 ohm", "temperature": "-50 degC", "coefficient": "0.1"}, {})
    assert str(error.value) == (
        "resistor-at-temperature: the coefficient gives no resistance at this temperature. "
        "Give a coefficient such as 0.00393 for copper"
    )


def test_joints_share_a_drop() -> None:
    assert value("joint-drop", "mV", total="0.3 V", joints="4") == pytest.approx(75)
    with pytest.raises(ReadingError) as error:
        compute("joint-drop", {"total": "0.3 V", "joints": "2.5"}, {})
    assert str(error.value) == "joints of joint-drop: a part of a joint cannot be. Give a whole number of joints"


@given(st.integers(0, 100), st.floats(1, 30))
def test_mean_voltage_is_shared_between_load_and_switch(duty: int, supply: float) -> None:
    # What the load takes and what the switch takes add up to the supply (Kirchhoff).
    volts = f"{supply:.3f} V"
    on_supply = value("duty-to-mean-voltage", "V", duty=f"{duty} %", supply=volts)
    on_earth = value("duty-to-mean-voltage", "V", duty=f"{duty} %", supply=volts, switched="earth")
    assert on_supply + on_earth == pytest.approx(parse_quantity(volts).si(), rel=1e-6)
    assert on_supply == pytest.approx(parse_quantity(volts).si() * duty / 100, rel=1e-6, abs=1e-9)


# --- sensors --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("ntc_10k_published"), ids=lambda row: row["temperature_C"])
def test_printed_thermistor_table(row: dict[str, str]) -> None:
    # OC04: a printed 10 k table, temperatures back within 0.01 K.
    found = value("thermistor-temperature", "degC", **CURVE, resistance=f"{row['published_ohm']} ohm")
    assert found == pytest.approx(float(row["temperature_C"]), abs=0.01)


@pytest.mark.parametrize("row", rows("ntc_10k_curve"), ids=lambda row: row["temperature_C"])
def test_thermistor_curves(row: dict[str, str]) -> None:
    at = f"{row['temperature_C']} degC"
    full = value("thermistor-steinhart-hart", "ohm", **CURVE, temperature=at)
    assert full == pytest.approx(float(row["steinhart_hart_ohm"]), abs=0.1)
    for beta in ("3977", "3988"):
        short = value("thermistor-beta", "ohm", resistance="10 kohm", beta=beta, temperature=at)
        assert short == pytest.approx(float(row[f"beta_{beta}_ohm"]), abs=0.1)


def test_copper_constants() -> None:
    """IEC 60028 and ASTM B258, the rows of the table; the step of the gauge from two neighbours."""
    said = {row["quantity"]: row["value"] for row in rows("copper_constants")}
    assert copper_resistance(1.0) * 1000 == pytest.approx(float(said["resistivity_20C_nominal"]), abs=5e-5)
    slope = copper_resistance(1.0, 21.0) / copper_resistance(1.0, 20.0) - 1
    assert slope == pytest.approx(float(said["temperature_coefficient_20C"]))
    assert gauge_diameter(36) == pytest.approx(float(said["awg_36_diameter"]))
    assert gauge_diameter(13) / gauge_diameter(14) == pytest.approx(float(said["awg_step_ratio"]), abs=5e-8)


def test_thermistor_step_of_the_catalogue() -> None:
    # OC05: 4700 ohm, ratio 2.2739 at 5 degC, 4.4 % per kelvin, 7 degC: printed 9793.2 ohm.
    found = value(
        "thermistor-alpha",
        "ohm",
        resistance=f"{4700 * 2.2739:.4f} ohm",
        alpha="4.4",
        start="5 degC",
        temperature="7 degC",
    )
    assert found == pytest.approx(9793.2, abs=0.5)


@given(st.floats(-55, 150), st.sampled_from([0.0, 8.7755e-8, 1e-7]))
def test_steinhart_hart_there_and_back(temperature: float, c: float) -> None:
    a, b = float(CURVE["a"]), float(CURVE["b"])
    assert steinhart_hart_temperature(a, b, c, steinhart_hart_resistance(a, b, c, temperature)) == pytest.approx(
        temperature, abs=1e-9
    )


@pytest.mark.parametrize("row", rows("pt100_iec60751"), ids=lambda row: row["temperature_C"])
def test_platinum(row: dict[str, str]) -> None:
    # IEC 60751; OC06 is among the rows. Tolerance ends are checked through the slope of the table's own formula.
    at = f"{row['temperature_C']} degC"
    found = compute("platinum-sensor", {"temperature": at}, {})
    assert found.value.si() == pytest.approx(float(row["resistance_ohm_from_formula"]), abs=0.0001)
    assert found.value.si() == pytest.approx(float(row["resistance_ohm_published_table"]), abs=0.006)
    tolerance = float(row["class_B_tolerance_K"])
    assert found.low is not None
    assert found.high is not None
    around = [float(row["temperature_C"]) + side * tolerance for side in (-1, 1)]
    for end, near in zip((found.low, found.high), around, strict=True):
        if -200 <= near <= 850:
            assert end.si() == pytest.approx(value("platinum-sensor", "ohm", temperature=f"{near:.4f} degC"), abs=0.002)
    if row["class_A_tolerance_K"]:
        narrow = compute("platinum-sensor", {"temperature": at, "grade": "A"}, {})
        assert narrow.high is not None
        share = (narrow.high.si() - narrow.value.si()) / (found.high.si() - found.value.si())
        assert share == pytest.approx(float(row["class_A_tolerance_K"]) / tolerance, rel=1e-3)


# --- battery --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("battery_ocv_soc"), ids=lambda row: row["state_of_charge_percent"])
def test_battery_table(row: dict[str, str]) -> None:
    # BCI-form table as reprinted by two battery suppliers.
    charge, volts = row["state_of_charge_percent"], row["ocv_V_bci_form_at_26_7C"]
    assert value("battery-rest-voltage", "V", charge=f"{charge} %") == pytest.approx(float(volts), abs=1e-9)
    assert value("battery-state-of-charge", "%", voltage=f"{volts} V") == pytest.approx(float(charge), abs=1e-9)


def test_battery_between_the_rows() -> None:
    # OC03.
    assert value("battery-state-of-charge", "%", voltage="12.24 V") == pytest.approx(50, abs=0.5)
    assert value("battery-state-of-charge", "%", voltage="12.35 V") == pytest.approx(63.1, abs=0.5)
    assert value("battery-state-of-charge", "%", voltage="11 V") == 0
    assert value("battery-state-of-charge", "%", voltage="12.9 V") == 100


@given(st.floats(0, 100))
def test_charge_there_and_back(charge: float) -> None:
    assert charge_from_voltage(voltage_from_charge(charge)) == pytest.approx(charge, abs=1e-9)


# --- coolant --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("water_saturation"), ids=lambda row: row["gauge_pressure_bar"])
def test_water_under_pressure(row: dict[str, str]) -> None:
    # IAPWS-IF97, agreed with IAPWS-95; OC07 is among the rows.
    found = value("coolant-boiling-point", "degC", pressure=f"{row['gauge_pressure_bar']} bar", glycol="0 %")
    assert found == pytest.approx(float(row["saturation_C_iapws_if97"]), abs=0.02)
    in_psi = value("coolant-boiling-point", "degC", pressure=f"{row['gauge_pressure_psi']} psi", glycol="0 %")
    assert in_psi == pytest.approx(found, abs=0.02)


@pytest.mark.parametrize("megapascal", [0.03, 0.101325, 0.2, 0.35, 0.5])
def test_water_against_the_reference_implementation(megapascal: float) -> None:
    assert water_boiling(megapascal * 1e6) == pytest.approx(IAPWS97(P=megapascal, x=0).T - 273.15, abs=1e-6)


@pytest.mark.parametrize("row", rows("water_boiling_altitude"), ids=lambda row: row["altitude_m"])
def test_water_on_a_height(row: dict[str, str]) -> None:
    found = value("coolant-boiling-point", "degC", glycol="0 %", height=f"{row['altitude_m']} m")
    assert found == pytest.approx(float(row["saturation_C"]), abs=0.05)


@pytest.mark.parametrize(
    ("pressure", "expected", "tolerance"), [("0", 107, 1.5), ("1.0", 128, 2), ("1.034", 129, 3), ("1.4", 134, 2)]
)
def test_half_glycol(pressure: str, expected: float, tolerance: float) -> None:
    # OC16 and the bands of coolant_notes.csv: trade figures, Raoult's law and UNIFAC.
    assert value("coolant-boiling-point", "degC", pressure=f"{pressure} bar") == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize("row", rows("coolant_50_50_boiling"), ids=lambda row: row["cap_gauge_pressure_bar"])
def test_half_glycol_lies_between_the_models(row: dict[str, str]) -> None:
    found = compute("coolant-boiling-point", {"pressure": f"{row['cap_gauge_pressure_bar']} bar"}, {})
    assert float(row["unifac_C"]) < found.value.magnitude < float(row["raoult_C"])
    assert found.low is not None
    assert found.high is not None
    assert float(found.low.magnitude) < float(row["unifac_C"]) + 0.6
    assert float(found.high.magnitude) > float(row["raoult_C"])


# --- inputs ---------------------------------------------------------------------------------------------------------


def test_inputs_may_be_names_of_values_and_quantities() -> None:
    values = {"load": parse_quantity("25 A"), "wire": parse_quantity("2.5 mm2")}
    named = compute("copper-cable-drop", {"area": "wire", "length": parse_quantity("3 m"), "current": "load"}, values)
    assert named.value.si() == pytest.approx(0.5985, abs=0.0005)


@pytest.mark.parametrize(
    ("name", "inputs", "words"),
    [
        (
            "copper-cable-drop",
            {"area": "3 V", "length": "3 m", "current": "1 A"},
            "area of copper-cable-drop: 3 V is a voltage, but area is asked for. "
            "Give it in mm², or the name of a value of this procedure",
        ),
        (
            "copper-cable-drop",
            {"area": "2.5 mm2", "length": "3", "current": "1 A"},
            "length of copper-cable-drop: '3' has no unit. "
            "Add one: mm, cm or m, or the name of a value of this procedure",
        ),
        (
            "copper-cable-drop",
            {"area": "2.5 mm2", "length": "3 m"},
            "copper-cable-drop needs current, the current while measuring. Give a current in A or mA",
        ),
        (
            "copper-cable-drop",
            {"length": "3 m", "current": "1 A"},
            "copper-cable-drop needs either area or gauge. Give one: area 2.5 mm2, or gauge 14",
        ),
        (
            "copper-cable-drop",
            {"lenght": "3 m"},
            "copper-cable-drop has no input 'lenght'. It takes area, gauge, length, current or temperature",
        ),
        (
            "current-from-power",
            {"power": "400 W", "voltage": "0 V"},
            "voltage of current-from-power: 0 V is out of range. Give the voltage at the load, from 0.001 V to 1000 V",
        ),
        (
            "current-from-power",
            {"power": "400 W", "voltage": "batery"},
            "voltage of current-from-power: 'batery' does not start with a number. "
            "Give a number and its unit, such as 12.7 V, or the name of a value of this procedure",
        ),
        (
            "duty-to-mean-voltage",
            {"duty": "30 %", "supply": "14 V", "switched": "both"},
            "switched of duty-to-mean-voltage cannot be 'both'. Give supply or earth",
        ),
        (
            "platinum-sensor",
            {"temperature": "700 degC", "grade": "a"},
            "platinum-sensor: grade a ends at 600 °C. Give grade b, or a lower temperature",
        ),
        (
            "current-from-power ",
            {},
            "There is no computation 'current-from-power'. Right would be " + ", ".join(list(COMPUTATIONS)[:-1])
            + " or " + list(COMPUTATIONS)[-1],
        ),
    ],
)  # fmt: skip
def test_wrong_inputs_are_named(name: str, inputs: dict[str, str], words: str) -> None:
    with pytest.raises(ReadingError) as error:
        compute(name, inputs, {})
    assert str(error.value) == words


@given(st.sampled_from(sorted(COMPUTATIONS)), st.data())
@settings(max_examples=examples(300))
def test_any_inputs_give_a_value_or_a_reading_error(name: str, data: st.DataObject) -> None:
    computation = COMPUTATIONS[name]
    inputs = {}
    for each in computation.inputs:
        number = data.draw(st.sampled_from(["0", "1", "-1", "1e-9", "0.001", "3977", "1e9", "1e-15", "85", "", "x"]))
        unit = f" {each.unit}" if each.unit and number not in ("", "x") else ""
        inputs[each.name] = data.draw(st.sampled_from(each.choices)) if each.choices else number + unit
    try:
        found = compute(name, inputs, {})
    except ReadingError as error:
        assert error.message
        assert error.hint
    else:
        assert found.value.quantity == computation.result_quantity
        for end in (found.low, found.high):
            assert end is None or isinstance(end, Quantity)
        assert found.how


def test_every_input_has_its_words() -> None:
    found = computation_help()
    assert [row[:2] for row in found] == [
        (each.name, part) for each in COMPUTATIONS.values() for part in ("", *(one.name for one in each.inputs))
    ]
    assert found[5] == (
        "copper-cable-drop",
        "temperature",
        "the temperature of the copper (temperature; 20 degC if not given)",
    )
    for each in COMPUTATIONS.values():
        assert each.result_quantity in QUANTITIES
        assert each.source
        assert all(
            one.quantity in QUANTITIES and one.unit in QUANTITIES[one.quantity] for one in each.inputs if one.quantity
        )


@pytest.mark.parametrize(("beta", "good"), [("100", True), ("99", False), ("10000", True), ("10001", False)])
def test_a_beta_that_no_thermistor_has_is_refused(beta: str, good: bool) -> None:
    def asked() -> float:
        return value("thermistor-beta", "ohm", resistance="10 kohm", beta=beta, temperature="20 degC")

    if good:
        assert asked() > 0
    else:
        with pytest.raises(ReadingError):
            asked()
