"""Jobs with a second fault beside the one being looked for: do they bend what is learned of the first?

A shop closes jobs on a flow whose first step finds a leak or none, whatever silences the fan. In some jobs a leak is
there as well; its finding is settled by its own repair. What is learned of the fan has to be what it is in the same
shop without those leaks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.likelihoods import learn_each
from shopkb.core.diagnosis.counting.branch_success import branch_evidence
from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.diagnosis.counting.flow_counts import count
from shopkb.core.diagnosis.counting.tallies import contributions, merge
from shopkb.core.diagnosis.rates.hierarchical import PooledRate
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.model import Flow

LEAK: Final = "cooling/hose#leak"
FAN: Final = ("cooling/fan/motor#open circuit", "cooling/fan/relay#burnt contacts")
MONTH: Final = "2026-03"
TEXT: Final = """\
procedure: fan-silent
title: Fan silent, coolant lost
system: cooling
causes:
  leak: {component: cooling/hose, mode: leak}
  motor: {component: cooling/fan/motor, mode: open circuit}
  relay: {component: cooling/fan/relay, mode: burnt contacts}
start: pressure
steps:
  pressure:
    title: Does the pressure hold?
    test: look
    minutes: 10
    outcomes:
      holds: {label: It holds, go: command}
      falls: {label: It falls, go: command, finding: It loses pressure}
  command:
    title: Does the fan run on command?
    test: command
    minutes: 3
    outcomes:
      runs: {label: It runs, go: leak, proof: elimination}
      clicks: {label: 'Silent, the relay clicks', go: feed}
  feed:
    title: Feed the fan directly
    test: power-directly
    minutes: 5
    outcomes:
      runs: {label: It runs, go: relay, proof: measured}
      silent: {label: It stays silent, go: motor, proof: measured}
"""


def flow() -> Flow:
    read = read_flow(TEXT)
    assert read.flow is not None, read.findings
    return read.flow


@dataclass(frozen=True, slots=True)
class Learned:
    """What a shop has learned of the fan: P(motor), P(pressure falls | motor), success of the branch on which the
    pressure falls, and the probability of the motor after a silent fan that stays silent when fed."""

    motor: float
    falls: float
    success: float
    posterior: float


def job(number: int, rng: np.random.Generator, second: float) -> ClosedCase:
    """A job on which the fan or a hose is at fault, and in a share ``second`` of the fan's a hose as well."""
    cause = (LEAK, *FAN)[rng.choice(3, p=(0.3, 0.45, 0.25))]
    leaks = cause == LEAK or rng.random() < second
    falls = rng.random() < (0.95 if leaks else 0.03)
    results = [("pressure", "falls" if falls else "holds"), ("command", "runs" if cause == LEAK else "clicks")]
    if cause != LEAK:
        results.append(("feed", "silent" if cause == FAN[0] else "runs"))
    proof = "elimination" if cause == LEAK else "measured"
    case = ClosedCase(
        number, "", MONTH, cause, proof, cause, results=tuple(CaseResult("fan-silent", *one) for one in results),
        cured_first=True,
    )  # fmt: skip
    return with_leak(case) if leaks and falls and cause != LEAK else case


def with_leak(case: ClosedCase) -> ClosedCase:
    """The same job with its leak repaired as a finding, last of all, so that the leak is what is claimed."""
    first, *rest = case.results
    return replace(
        case, cause=LEAK, claimed=LEAK, also=(case.cause,), proven=(("fan-silent", case.cause, case.proof),),
        results=(replace(first, speaks_for=(LEAK, "seen")), *rest),
    )  # fmt: skip


def as_one_fault(case: ClosedCase) -> ClosedCase:
    """The same job told without saying which result speaks for which fault."""
    plain = tuple(replace(result, speaks_for=None) for result in case.results)
    return replace(case, proven=(), also=(), results=plain)


def learned(cases: Sequence[ClosedCase]) -> Learned:
    fan = flow()
    counts = count(fan, merge(contributions(case) for case in cases), as_of=MONTH, half_life=None)
    model: CauseModel = learn_each(counts, ("",))[""]
    rate = branch_evidence(counts)["command", "clicks"].rate
    assert isinstance(rate, PooledRate)
    motor = model.column_of[FAN[0]]
    likelihood = model.table[model.row_of["fan-silent", "pressure", "falls"]]
    seen = model.table[model.row_of["fan-silent", "command", "clicks"]] * model.prior
    return Learned(
        float(model.prior[motor]), float(likelihood[motor]), rate.mean, float(seen[motor] / seen.sum())
    )  # fmt: skip


def shop(seed: int, second: float, jobs: int = 1500) -> list[ClosedCase]:
    rng = np.random.default_rng(seed)
    return [job(number, rng, second) for number in range(jobs)]
