"""The same readings by ngspice, as an outside witness: netlists written from the parts, not from our equations.

All cases go into one netlist, each with points of its own; relays and fuses are set anew from what ngspice found until
they stay as they are.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from dataclasses import dataclass, field

from shopkb.core.circuit.parts import (
    LEAD,
    MINUS,
    PLUS,
    SWITCHED,
    Circuit,
    Condition,
    Fault,
    FaultKind,
    Measured,
    PartKind,
)

NGSPICE = shutil.which("ngspice")
METER = 10e6
TOGETHER = 12
"""Cases in one netlist: ngspice takes longer than in proportion for more."""
PULLS_IN, BLOWS = 0.6, 1.35


@dataclass
class Case:
    """One reading of one circuit, with the sizes of one sample. ``moved`` are contacts closed and fuses blown."""

    circuit: Circuit
    ohms: list[float]
    volts: list[float]
    condition: Condition
    measured: Measured
    fault: Fault | None = None
    sample: int = 0
    cold: list[float] | None = None
    probe: tuple[str, str] | None = None
    pulled: set[str] = field(default_factory=set)
    blown: set[str] = field(default_factory=set)


def spice_readings(cases: list[Case]) -> list[float]:
    """What each case reads: volts, ampere or ohm; the highest of several probes."""
    whole = [(place, part) for place, case in enumerate(cases) for part in _one_probe_each(case)]
    found: list[dict[str, float]] = []
    for _ in range(8):
        found = [values for at in range(0, len(whole), TOGETHER) for values in _run(whole[at : at + TOGETHER])]
        changed = [_moved(case, values) for (_, case), values in zip(whole, found, strict=True)]
        if not any(changed):
            break
    result: dict[int, list[float]] = {}
    for (place, case), values in zip(whole, found, strict=True):
        result.setdefault(place, []).append(_read(case, values))
    return [row[0] if len(row) == 1 else max(map(abs, row)) for row in (result[place] for place in range(len(cases)))]


def _one_probe_each(case: Case) -> list[Case]:
    probes = case.measured.probes or (None,)
    plain = (case.circuit, case.ohms, case.volts, case.condition, case.measured, case.fault, case.sample, case.cold)
    return [Case(*plain, probe=probe) for probe in probes]


def _node(number: int, point: str) -> str:
    if point == MINUS:
        return "0"
    return f"c{number}_" + point.replace("+", "p").replace("-", "_")


def _run(placed: list[tuple[int, Case]]) -> list[dict[str, float]]:
    cases = [case for _, case in placed]
    lines, wanted = ["* readings"], []
    for number, case in enumerate(cases):
        lines += _netlist(number, case)
        points = {point for part in case.circuit.parts for point in (part.first, part.second)}
        points |= {PLUS} | {point for lead in case.condition.leads for point in (lead.first, lead.second)}
        for point in sorted(points - {MINUS}):
            lines.append(f"Rleak{_node(number, point)} {_node(number, point)} 0 1e12")
            wanted.append(_node(number, point))
    prints = "\n".join(f"print v({node})" for node in wanted)
    options = ".options gmin=1e-15 reltol=1e-9 abstol=1e-15 vntol=1e-12"
    control = f"{options}\n.control\nset numdgt=12\nop\n{prints}\n.endc\n.end\n"
    given = "\n".join(lines) + "\n" + control
    assert NGSPICE, "the tests need ngspice (Debian: ngspice)"
    done = subprocess.run([NGSPICE, "-b"], input=given, capture_output=True, text=True, timeout=120)
    told = {name: float(value) for name, value in re.findall(r"v\((\w+)\) = (\S+)", done.stdout)}
    assert told.keys() >= set(wanted), done.stdout[-2000:] + done.stderr[-2000:]
    found: list[dict[str, float]] = [{MINUS: 0.0} for _ in cases]
    for number, case in enumerate(cases):
        for part in case.circuit.parts:
            for point in (part.first, part.second):
                if point != MINUS:
                    found[number][point] = told[_node(number, point)]
    return found


def _resistor(case: Case, place: int) -> float:
    """Ohm of a part in the state it is in; infinite when it is open."""
    part, condition, fault = case.circuit.parts[place], case.condition, case.fault
    ohms = case.ohms[place]
    if case.measured.quantity == "resistance" and case.cold and not math.isnan(case.cold[place]):
        ohms = case.cold[place]
    here = fault is not None and fault.part == part.key
    kind = fault.kind if fault is not None and here else None
    if part.connector.lower() in condition.unplugged and part.connector:
        return math.inf
    if kind in (FaultKind.OPEN, FaultKind.STUCK_OPEN) or part.key in case.blown:
        return math.inf
    if kind is FaultKind.STUCK_CLOSED:
        return ohms
    closed = part.kind not in SWITCHED or part.key in condition.closed or part.key in case.pulled
    if part.key in condition.opened or not closed:
        return math.inf
    if fault is not None and kind is FaultKind.SERIES:
        return ohms + float(fault.ohms[case.sample])
    if fault is not None and kind is FaultKind.TIMES:
        return ohms * float(fault.ohms[case.sample])
    if fault is not None and kind in (FaultKind.SHORT, FaultKind.VALUE):
        return float(fault.ohms[case.sample])
    return ohms


def _netlist(number: int, case: Case) -> list[str]:
    lines = []
    for place, part in enumerate(case.circuit.parts):
        ohms, first, second = _resistor(case, place), _node(number, part.first), _node(number, part.second)
        if math.isinf(ohms):
            continue
        if part.kind is PartKind.SUPPLY:
            volts = 0.0 if case.measured.quantity == "resistance" else case.volts[place]
            lines += [
                f"V{number}_{place} {first} in{number}_{place} {volts}",
                f"R{number}_{place} in{number}_{place} {second} {ohms}",
            ]
        else:
            lines.append(f"R{number}_{place} {first} {second} {ohms}")
    lines += [
        f"Rlead{number}_{place} {_node(number, lead.first)} {_node(number, lead.second)} {lead.ohms}"
        for place, lead in enumerate(case.condition.leads)
    ]
    fault = case.fault
    if fault is not None and fault.kind in (FaultKind.TO_EARTH, FaultKind.TO_SUPPLY):
        other = MINUS if fault.kind is FaultKind.TO_EARTH else PLUS
        part = case.circuit.parts[case.circuit.place[fault.part]]
        end = part.first if part.second == other else part.second
        lines.append(f"Rfault{number} {_node(number, end)} {_node(number, other)} {float(fault.ohms[case.sample])}")
    if case.probe is not None:
        red, black = (_node(number, point) for point in case.probe)
        lines.append(
            f"Itest{number} {black} {red} 1"
            if case.measured.quantity == "resistance"
            else f"Rmeter{number} {red} {black} {METER}"
        )
    return lines


def _moved(case: Case, volts: dict[str, float]) -> bool:
    """Sets relays and fuses as the voltages ask; whether any of them changed. A meter does not move them."""
    if case.measured.quantity == "resistance":
        return False
    before = set(case.pulled), set(case.blown)
    highest = max(abs(each) for each in case.volts)
    for place, part in enumerate(case.circuit.parts):
        if part.coil:
            coil = case.circuit.parts[case.circuit.place[part.coil]]
            at = case.circuit.place[part.coil]
            now, sound = _resistor(case, at), case.ohms[at]
            turns = 0.0 if math.isinf(now) else abs(volts[coil.first] - volts[coil.second]) / now * sound
            pulls = turns >= PULLS_IN * highest and now > sound / 3
            (case.pulled.add if pulls else case.pulled.discard)(part.key)
        ohms = _resistor(case, place)
        if part.kind is not PartKind.FUSE or math.isinf(ohms):
            continue
        if abs(volts[part.first] - volts[part.second]) / ohms > BLOWS * part.rating:
            case.blown.add(part.key)
    return before != (case.pulled, case.blown)


def _read(case: Case, volts: dict[str, float]) -> float:
    if case.probe is not None:
        red, black = case.probe
        return volts[red] - volts[black]
    if case.measured.through == LEAD:
        lead = case.condition.leads[0]
        return abs(volts[lead.first] - volts[lead.second]) / lead.ohms
    place = case.circuit.place[case.measured.through]
    part, ohms = case.circuit.parts[place], _resistor(case, place)
    drive = case.volts[place] if part.kind is PartKind.SUPPLY else 0.0
    return 0.0 if math.isinf(ohms) else abs(volts[part.first] - volts[part.second] - drive) / ohms
