"""Small flows and a small catalog for the tests of this folder (invented parts of an invented vehicle)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from shopkb.core.flow.checks.catalog_view import AccessView, Catalog, CautionView
from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Proof, ReadingSpec, Step, TestKind, Value
from shopkb.core.readings.bands import parse_band

DATA = Path(__file__).parents[2] / "data"

COOLING = frozenset({"hot-coolant"})
CATALOG = Catalog(
    systems={
        "body": frozenset(),
        "body/horn": frozenset(),
        "body/horn/horn": frozenset(),
        "body/horn/earth": frozenset(),
        "body/horn/relay": frozenset(),
        "cooling": COOLING,
        "cooling/fan": COOLING | {"self-starting-fan"},
    },
    access={
        "cabin": AccessView("cabin", "in the cabin", 0, frozenset()),
        "bumper-off": AccessView("bumper-off", "bumper off", 12, frozenset()),
        "running": AccessView("running", "engine running", 1, frozenset({"moving-parts"})),
        "lifted": AccessView("lifted", "on the lift", 5, frozenset({"lifted-vehicle"})),
    },
    cautions={
        "isolate-before-power": CautionView("isolate-before-power", "WARNING", frozenset({"back-feed"})),
        "dead-circuit": CautionView("dead-circuit", "NOTICE", frozenset({"live-ohms"})),
        "ohms-on-dead-parts": CautionView("ohms-on-dead-parts", "NOTICE", frozenset({"live-ohms"})),
        "probe-terminals": CautionView("probe-terminals", "NOTICE", frozenset({"spread-terminal"})),
        "let-it-cool": CautionView("let-it-cool", "WARNING", COOLING),
        "keep-off": CautionView("keep-off", "DANGER", frozenset({"high-voltage"})),
        "fan-may-start": CautionView("fan-may-start", "DANGER", frozenset({"self-starting-fan"})),
    },
    symptoms=frozenset({"horn-silent"}),
    platforms=frozenset({"curlew", "curlew/mk2", "dunlin"}),
    procedures=frozenset({"horn-control", "horn-silent"}),
)


def go(text: str) -> Go:
    """``out``, ``hand-over KEY``, ``cause:KEY``, ``nowhere:KEY`` or the key of a step."""
    if text == "out":
        return Go(GoKind.OUT)
    if text.startswith("hand-over "):
        return Go(GoKind.HAND_OVER, text.removeprefix("hand-over "))
    kind, _, key = text.rpartition(":")
    return Go(GoKind(kind) if kind else GoKind.STEP, key)


def outcome(key: str, to: str, band: str = "", proof: Proof | None = None, label: str = "") -> Outcome:
    return Outcome(key, label or key.capitalize(), go(to), parse_band(band) if band else None, proof)


def step(key: str, *outcomes: Outcome, test: TestKind = TestKind.LOOK, **more: object) -> Step:
    return Step(key, key.capitalize(), test, outcomes, **more)  # type: ignore[arg-type]


def measure(key: str, *outcomes: Outcome, quantity: str = "voltage", unit: str = "V", **more: object) -> Step:
    return step(key, *outcomes, test=TestKind.MEASURE, reading=ReadingSpec(quantity, unit), **more)


def cause(key: str, component: str = "body/horn/horn", mode: str = "open circuit") -> Cause:
    return Cause(key, component, mode)


def flow(*steps: Step, causes: Sequence[Cause] = (), values: Sequence[Value] = (), **more: object) -> Flow:
    fields: dict[str, object] = {"start": steps[0].key if steps else "", "system": "body/horn", **more}
    return Flow("horn-silent", "Horn stays silent", steps=steps, causes=tuple(causes), values=tuple(values), **fields)  # type: ignore[arg-type]
