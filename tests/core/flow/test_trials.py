"""Causes that come and go, and steps of several tries: against every sequence of tries, one by one."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.diagnosis.belief.from_trials import with_trials
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.belief.reading_likelihoods import with_readings
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.model import Flow
from shopkb.core.flow.trials import counted, shown_at_all, tries_wanted
from shopkb.core.readings.parsing import parse_quantity
from tests.core.diagnosis.learning import model_of

FILE = """
procedure: brake-lamps-seldom
title: Brake lamps stay off now and then
system: lighting/brake-lamps
causes:
  worn: {component: brakes/pedal-switch, mode: contacts worn, shows: 30 %}
  open: {component: brakes/pedal-switch, mode: open circuit}
  bulb: {component: lighting/brake-lamps, mode: bulb loose}
start: press
steps:
  press:
    title: Press the pedal
    test: measure
    trials: 5 times
    reading: {quantity: count, unit: times, plausible: 0 times .. 5 times}
    outcomes:
      never: {label: Never failed, band: "< 1 times", go: bulb, proof: seen}
      seldom: {label: Failed now and then, band: 1 times .. 5 times, go: worn, proof: measured}
      always: {label: Failed each time, band: ">= 5 times", go: open, proof: measured}
"""


def flow_of(text: str = FILE) -> Flow:
    read = read_flow(text.encode())
    assert read.flow is not None, read.findings
    return read.flow


def by_hand(share: float, tries: int, ends: list[tuple[int, int]]) -> list[float]:
    """The share of each range of failures, over all sequences of tries."""
    found = [0.0] * len(ends)
    for sequence in product((True, False), repeat=tries):
        chance = np.prod([share if failed else 1 - share for failed in sequence])
        for place, (low, high) in enumerate(ends):
            found[place] += float(chance) * (low <= sum(sequence) < high)
    return found


@given(st.integers(1, 9), st.integers(1, 99))
def test_counts_are_those_of_every_sequence_of_tries(tries: int, percent: int) -> None:
    flow = flow_of(FILE.replace("5 times", f"{max(tries, 2)} times").replace("30 %", f"{percent} %"))
    ends = [(0, 1), (1, max(tries, 2)), (max(tries, 2), 10**6)]
    shares = counted(flow.steps[0], flow.cause_by_key["worn"])
    assert shares == pytest.approx(by_hand(percent / 100, max(tries, 2), ends))


def test_the_posterior_is_that_of_all_sequences() -> None:
    flow = flow_of()
    model = model_of(flow, {}, as_of="2026-11-01")
    worn = flow.cause_by_key["worn"].identity
    place = list(model.causes).index(worn)
    expected = by_hand(0.3, 5, [(0, 1), (1, 5), (5, 6)])
    assert model.table[:, place] == pytest.approx(expected, abs=0.005)
    after = posterior(model, [CaseResult(flow.procedure, "press", "never")])
    likelihood = model.table[0].copy()
    likelihood[place] = expected[0]
    by_bayes = model.prior * likelihood / (model.prior @ likelihood)
    assert after[place] == pytest.approx(by_bayes[place], abs=0.01)


ANY = FILE.replace("    reading: {quantity: count, unit: times, plausible: 0 times .. 5 times}\n", "").replace(
    "test: measure", "test: look"
)
ANY = "\n".join(line for line in ANY.splitlines() if "always:" not in line).replace('band: "< 1 times", ', "")
ANY = ANY.replace("band: 1 times .. 5 times, ", "").replace("proof: measured", "proof: seen")


@pytest.mark.parametrize("tries", [1, 2, 5, 9])
def test_without_a_count_it_is_missed_when_no_try_shows_it(tries: int) -> None:
    flow = flow_of(ANY.replace("5 times", f"{tries} times"))
    causes = [cause.identity for cause in flow.causes]
    base = np.array([[0.05, 0.05, 0.95], [0.95, 0.95, 0.05]])
    found = with_trials(flow, "press", causes, base)
    assert found[:, 0] == pytest.approx([0.7**tries, 1 - 0.7**tries])
    assert (found[:, 1:] == base[:, 1:]).all()
    assert shown_at_all(flow.steps[0], flow.causes[0]) == pytest.approx(1 - 0.7**tries)


def test_what_is_always_there_is_left_as_it_was() -> None:
    flow = flow_of(ANY.replace(", shows: 30 %", ""))
    base = np.array([[0.05, 0.05, 0.95], [0.95, 0.95, 0.05]])
    assert with_trials(flow, "press", [cause.identity for cause in flow.causes], base) is base


def found(identity: str, text: str) -> list[str]:
    return [finding.message + " " + finding.hint for finding in check_flow(flow_of(text)) if finding.id == identity]


def test_too_few_tries_are_told_with_how_many_would_do() -> None:
    told = found("intermittent-cleared", ANY.replace("trials: 5 times", "trials: 1 times"))
    assert len(told) == 1
    assert "70 % pass this step, tried once" in told[0]
    assert "Try 9 times" in told[0]
    assert 0.7**9 <= 0.05 < 0.7**8
    assert found("intermittent-cleared", ANY) == []
    assert tries_wanted(flow_of().causes[0], 0.05) == 9


@pytest.mark.parametrize("trials", ["0 times", "2.5 times", "201 times", "3 V"])
def test_tries_are_a_number_of_times(trials: str) -> None:
    assert len(found("trials-number", ANY.replace("5 times", trials))) == 1


@pytest.mark.parametrize("share", ["0 %", "100 %", "120 %", "3 V"])
def test_a_share_of_tries_is_a_share(share: str) -> None:
    assert len(found("shows-share", ANY.replace("30 %", share))) == 1


def test_a_count_says_of_how_many() -> None:
    assert found("count-open", FILE) == []
    assert "but not of how many" in found("count-open", FILE.replace("    trials: 5 times\n", ""))[0]
    assert (
        "plausible: 0 times .. 5 times" in found("count-open", FILE.replace(", plausible: 0 times .. 5 times", ""))[0]
    )


def test_more_tries_tell_more() -> None:
    flow = flow_of()
    more = replace(flow.steps[0], trials=parse_quantity("9 times"))
    assert shown_at_all(more, flow.causes[0]) > shown_at_all(flow.steps[0], flow.causes[0])


@pytest.mark.parametrize("failed", range(6))
def test_a_count_is_exact_and_says_no_more_than_its_range(failed: int) -> None:
    """A meter's uncertainty has no part in it, however near the limit it lies."""
    flow = flow_of()
    model = model_of(flow, {}, as_of="2026-11-01")
    outcome = "never" if failed < 1 else "seldom" if failed < 5 else "always"
    one = CaseResult(flow.procedure, "press", outcome, reading=Decimal(failed), unit="times")
    assert with_readings(model, flow, [one], {}) is model


@pytest.mark.parametrize("share", ["1 %", "0.0001 %"])
def test_what_shows_too_seldom_is_not_to_be_tried_for_ever(share: str) -> None:
    flow = flow_of(FILE.replace("30 %", share))
    assert tries_wanted(flow.cause_by_key["worn"], 0.05) is None
    hints = [one.hint for one in check_flow(flow) if "of tries" in one.message]
    assert hints
    assert all("It shows too seldom: lead on" in hint for hint in hints)
