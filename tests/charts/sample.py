"""A procedure of the invented workshop, made by hand, with made-up evidence: every kind of sign is in it."""

from __future__ import annotations

from shopkb.charts.branch_notes import BranchNote
from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Proof, Step, TestKind

STEP, CAUSE, HAND_OVER, OUT = GoKind.STEP, GoKind.CAUSE, GoKind.HAND_OVER, GoKind.OUT


def outcome(key: str, label: str, kind: GoKind, to: str = "", proof: Proof | None = None, note: str = "") -> Outcome:
    return Outcome(key, label, Go(kind, to), proof=proof, note=note)


def step(key: str, title: str, test: TestKind, *outcomes: Outcome) -> Step:
    return Step(key, title, test, outcomes)


FAN = Flow(
    procedure="radiator-fan-silent",
    title="Radiator fan does not run",
    system="cooling/fan",
    start="warm-up",
    steps=(
        step(
            "warm-up", "Warm up to fan-on temperature, watch the gauge", TestKind.LOOK,
            outcome("runs", "fan runs", OUT, note="Complaint not present now."),
            outcome("silent", "fan stays still", STEP, "codes"),
        ),
        step(
            "codes", "Fault codes for the fan circuit?", TestKind.QUESTION,
            outcome("none", "none", STEP, "command-high"),
            outcome("sensor", "sensor code", HAND_OVER, "coolant-sensor"),
        ),
        step(
            "command-high", "Command the fan, high speed", TestKind.COMMAND,
            outcome("runs", "fan runs", STEP, "command-low"),
            outcome("silent", "stays still", STEP, "fuse"),
        ),
        step(
            "command-low", "Command the fan, low speed", TestKind.COMMAND,
            outcome("runs", "fan runs", CAUSE, "sensor", Proof.ELIMINATION),
            outcome("silent", "stays still", STEP, "resistor"),
        ),
        step(
            "fuse", "Fuse F12 blown?", TestKind.LOOK,
            outcome("whole", "whole", STEP, "unplug"),
            outcome("blown", "blown", CAUSE, "motor-seized", Proof.ELIMINATION),
        ),
        step(
            "unplug", "Key off, unplug the fan connector", TestKind.ACTION,
            outcome("done", "done", STEP, "heat-marks"),
        ),
        step(
            "heat-marks", "Heat marks on the terminals?", TestKind.LOOK,
            outcome("clean", "clean", STEP, "direct"),
            outcome("burnt", "burnt", CAUSE, "terminal", Proof.SEEN),
        ),
        step(
            "direct", "Power the motor directly, through a fused lead", TestKind.POWER_DIRECTLY,
            outcome("runs", "runs", STEP, "current"),
            outcome("silent", "stays still", CAUSE, "motor-open", Proof.SUBSTITUTED),
        ),
        step(
            "current", "Motor current, running", TestKind.MEASURE,
            outcome("normal", "11 to 16 A", STEP, "feed"),
            outcome("high", "over 16 A", CAUSE, "motor-drags", Proof.MEASURED),
        ),
        step(
            "feed", "Feed at the connector, under load", TestKind.MEASURE,
            outcome("full", "full", STEP, "ground"),
            outcome("weak", "weak or none", STEP, "relay"),
        ),
        step(
            "ground", "Ground drop, under load", TestKind.MEASURE,
            outcome("high", "over 0.2 V", CAUSE, "ground", Proof.MEASURED),
            outcome("low", "0.2 V or less", STEP, "relay"),
        ),
        step(
            "resistor", "Series resistor, out of circuit", TestKind.MEASURE,
            outcome("open", "open", CAUSE, "resistor", Proof.MEASURED),
            outcome("good", "1.0 to 1.4 Ω", CAUSE, "wiring", Proof.ELIMINATION),
        ),
        step(
            "relay", "Swap the fan relay", TestKind.SUBSTITUTE,
            outcome("runs", "fan runs", CAUSE, "relay", Proof.SUBSTITUTED),
            outcome("silent", "stays still", STEP, "harness"),
        ),
        step(
            "harness", "Resistance of the feed wire, end to end", TestKind.MEASURE,
            outcome("high", "over 0.1 Ω", CAUSE, "wiring", Proof.MEASURED),
            outcome("low", "0.1 Ω or less", CAUSE, "control", Proof.ELIMINATION),
        ),
    ),
    causes=(
        Cause("sensor", "cooling/coolant-sensor", "reads too cold"),
        Cause("motor-seized", "cooling/fan/motor", "seized"),
        Cause("terminal", "cooling/fan/connector", "burnt terminal", correction="Fit a new terminal and seal."),
        Cause("motor-open", "cooling/fan/motor", "open circuit", correction="Fit a new motor."),
        Cause("motor-drags", "cooling/fan/motor", "drags"),
        Cause("ground", "cooling/fan/earth", "high resistance"),
        Cause("resistor", "cooling/fan/series-resistor", "open circuit"),
        Cause("wiring", "cooling/fan/feed-wire", "broken strands"),
        Cause("relay", "cooling/fan/relay", "burnt contacts"),
        Cause("control", "cooling/fan/control-unit", "no output"),
    ),
)  # fmt: skip

COMPONENTS = {
    "cooling/fan/motor": "fan motor",
    "cooling/fan/connector": "fan connector",
    "cooling/fan/relay": "fan relay",
    "cooling/fan/earth": "fan ground",
    "cooling/fan/control-unit": "fan control unit",
}
TITLES = {"coolant-sensor": "Coolant sensor circuit"}

NOTES = {
    ("warm-up", "runs"): BranchNote(0, 0, 3),
    ("warm-up", "silent"): BranchNote(41, 41, 44, 0.94, 1.0),
    ("codes", "none"): BranchNote(36, 35, 38, 0.87, 0.99),
    ("codes", "sensor"): BranchNote(5, 4, 6, 0.36, 0.97),
    ("command-high", "runs"): BranchNote(10, 8, 11, 0.5, 0.94),
    ("command-high", "silent"): BranchNote(26, 26, 27, 0.9, 1.0),
    ("command-low", "runs"): BranchNote(3, 2, 3, 0.19, 0.93),
    ("command-low", "silent"): BranchNote(7, 6.5, 8, 0.6, 0.99),
    ("fuse", "whole"): BranchNote(22, 22, 23, 0.88, 1.0),
    ("fuse", "blown"): BranchNote(4, 2, 4, 0.15, 0.85),
    ("unplug", "done"): BranchNote(22, 22, 23, 0.88, 1.0),
    ("heat-marks", "clean"): BranchNote(15, 14, 16, 0.73, 0.99),
    ("heat-marks", "burnt"): BranchNote(7, 6, 7, 0.5, 0.97),
    ("direct", "runs"): BranchNote(10, 9, 11, 0.63, 0.98),
    ("direct", "silent"): BranchNote(5, 5, 5, 0.62, 1.0),
    ("current", "normal"): BranchNote(8, 7, 9, 0.56, 0.98),
    ("current", "high"): BranchNote(2, 2, 2, 0.33, 1.0),
    ("feed", "full"): BranchNote(3, 2, 3, 0.19, 0.93),
    ("feed", "weak"): BranchNote(5, 5, 6, 0.62, 1.0),
    ("ground", "high"): BranchNote(2, 2, 2, 0.33, 1.0),
    ("ground", "low"): BranchNote(1, 0, 1, 0.0, 0.85),
    ("relay", "runs"): BranchNote(4, 4, 5, 0.56, 1.0),
    ("relay", "silent"): BranchNote(2, 1, 2, 0.1, 0.9),
    ("resistor", "open"): BranchNote(6, 6, 6, 0.67, 1.0),
    ("resistor", "good"): BranchNote(1, 0, 1, 0.0, 0.85),
    ("harness", "high"): BranchNote(1, 1, 1, 0.15, 1.0),
}

PATH = (
    ("warm-up", "silent"),
    ("codes", "none"),
    ("command-high", "silent"),
    ("fuse", "whole"),
    ("unplug", "done"),
    ("heat-marks", "clean"),
)
NOW = "direct"
POSSIBLE = {"motor-open": 0.31, "motor-drags": 0.12, "relay": 0.34, "ground": 0.14, "wiring": 0.07, "control": 0.02}
LINKS = {"warm-up": "/procedures/radiator-fan-silent/steps/warm-up/", "motor-open": "/causes/motor-open/"}
