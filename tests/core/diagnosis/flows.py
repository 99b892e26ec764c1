"""Small flows, models and tallies for these tests. The horn is invented; the rest are the worked examples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import Branch, CauseModel, RepairAction, Test
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Proof, Step, TestKind, Usual

HORN, GROUND, RELAY = (
    "body/horn/horn#open circuit",
    "body/horn/earth#high resistance",
    "body/horn/relay#burnt contacts",
)


def go(text: str, causes: Sequence[str] = ()) -> Go:
    if text == "out":
        return Go(GoKind.OUT)
    if text.startswith("hand-over "):
        return Go(GoKind.HAND_OVER, text.removeprefix("hand-over "))
    return Go(GoKind.CAUSE if text in causes else GoKind.STEP, text)


def horn(**changes: Any) -> Flow:
    """The horn of the written example, without its loop."""
    causes = (
        Cause("horn-open", "body/horn/horn", "open circuit", Usual.COMMON, "Fit a new horn.", 15, 28),
        Cause("horn-ground", "body/horn/earth", "high resistance", Usual.OCCASIONAL, "Clean the ground joint.", 20),
        Cause("relay-contacts", "body/horn/relay", "burnt contacts", Usual.OCCASIONAL, "Fit a new relay.", 5, 9),
    )
    keys = [cause.key for cause in causes]

    def outcome(key: str, label: str, to: str, proof: Proof | None = None) -> Outcome:
        return Outcome(key, label, go(to, keys), proof=proof)

    steps = (
        Step("press", "Press the horn button", TestKind.LISTEN, (
            outcome("sounds", "Horn sounds", "out"),
            outcome("click", "Relay clicks, horn silent", "supply"),
            outcome("no-click", "No click", "hand-over horn-control"),
        ), at="body/horn/relay", access="cabin", minutes=1),
        Step("supply", "Voltage at the horn connector", TestKind.MEASURE, (
            outcome("full", "Full supply", "ground"),
            outcome("weak", "Supply low", "relay-contacts", Proof.MEASURED),
            outcome("absent", "No supply", "relay-contacts", Proof.ELIMINATION),
        ), at="body/horn/horn", access="bumper-off", minutes=4, needs=("press",)),
        Step("ground", "Voltage drop of the horn ground", TestKind.MEASURE, (
            outcome("good", "Ground carries the load", "direct"),
            outcome("bad", "Drop too high", "horn-ground", Proof.MEASURED),
        ), at="body/horn/earth", access="bumper-off", minutes=2),
        Step("direct", "Power the horn directly", TestKind.POWER_DIRECTLY, (
            outcome("sounds", "Horn sounds", "out"),
            outcome("silent", "Horn stays silent", "horn-open", Proof.SUBSTITUTED),
        ), at="body/horn/horn", access="bumper-off", minutes=3),
    )  # fmt: skip
    return Flow(**{
        "procedure": "horn-silent", "title": "Horn does not sound", "system": "body/horn", "start": "press",
        "steps": steps, "causes": causes, **changes,
    })  # fmt: skip


def result(step: str, outcome: str, procedure: str = "horn-silent", skipped: str = "") -> CaseResult:
    return CaseResult(procedure, step, outcome, skipped)


def tally(
    step: str, outcome: str, cause: str = "", count: int = 1, *, proof: str = "measured", platform: str = "curlew/a1",
    month: str = "2026-11", procedure: str = "horn-silent", **sums: int,
) -> dict[TallyKey, TallySums]:  # fmt: skip
    key = TallyKey(procedure, step, outcome, cause, proof if cause else "", platform, month)
    return {key: TallySums(count=count, **sums)}


def together(*parts: Mapping[TallyKey, TallySums]) -> dict[TallyKey, TallySums]:
    return {key: sums for part in parts for key, sums in part.items()}


def model(
    prior: Mapping[str, float],
    tests: Mapping[str, Mapping[str, Mapping[str, float]]],
    minutes: Mapping[str, float] | None = None,
    repairs: Sequence[RepairAction] = (),
    /,
    **changes: Any,
) -> CauseModel:
    """A model from plain figures: test to outcome to cause to probability. Causes are in the order of ``prior``."""
    branches: list[Branch] = []
    rows: list[list[float]] = []
    views: list[Test] = []
    for step, outcomes in tests.items():
        start = len(rows)
        for outcome, chances in outcomes.items():
            branches.append(Branch("p", step, outcome))
            rows.append([chances[cause] for cause in prior])
        views.append(Test("p", step, step, start, len(rows), (minutes or {}).get(step, 1.0)))
    table: Array = np.array(rows).reshape(len(rows), len(prior))
    return CauseModel(
        **{
            "causes": tuple(prior), "prior": np.array(list(prior.values())), "branches": tuple(branches),
            "table": table, "tests": tuple(views), "repairs": tuple(repairs), **changes,
        }
    )  # fmt: skip


def two_outcomes(chances: Mapping[str, float]) -> dict[str, dict[str, float]]:
    return {"yes": dict(chances), "no": {cause: 1 - chance for cause, chance in chances.items()}}
