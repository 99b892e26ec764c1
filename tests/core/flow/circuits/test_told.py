"""What would be read, in words: sound first, causes that read alike together, and what a reading fits."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from shopkb.core.flow.circuits.told import fits, in_order, span_words, told_readings
from tests.core.flow.circuits.test_predicted import HORN

PINS, COIL = HORN.step_by_key["pins"], HORN.step_by_key["coil"]


def test_sound_comes_first_and_causes_that_read_alike_stand_together() -> None:
    told = told_readings(HORN, PINS)
    assert told[0].as_sound
    assert told[0].span == "0.003 to 0.028 V"
    (burnt,) = [one for one in told if "horn: burnt terminal" in one.causes]
    assert (burnt.causes, burnt.as_sound) == (("horn: burnt terminal",), False)
    (nothing,) = [one for one in told if one.span == "0 V"]
    assert {"horn: open circuit", "relay: coil open"} <= set(nothing.causes)


@pytest.mark.parametrize(("typed", "wanted"), [(0.02, True), (4.4, False)])
def test_a_reading_fits_sound_or_the_cause_that_gives_it(typed: float, wanted: bool) -> None:
    told = told_readings(HORN, PINS, typed=typed)
    assert told[0].fits
    assert next(one for one in told if one.as_sound).fits is wanted
    burnt = next(one for one in told if "horn: burnt terminal" in one.causes)
    assert burnt.fits is not wanted


def test_over_limit_fits_what_is_open() -> None:
    told = {one.causes: one for one in told_readings(HORN, COIL, typed=math.inf)}
    assert told[("relay: coil open",)].span == "over limit"
    assert told[("relay: coil open",)].fits is True
    assert not any(one.fits for causes, one in told.items() if "relay: coil open" not in causes)


def test_only_causes_that_are_possible_are_told_the_likeliest_first() -> None:
    order = in_order(HORN, {"coil-open": 0.6, "coil-shorted": 0.1}, {"coil-shorted", "coil-open", "feed-chafed"})
    assert order == ("coil-open", "coil-shorted", "feed-chafed")
    told = told_readings(HORN, COIL, possible=order)
    assert [one.causes for one in told] == [("horn: touches earth",), ("relay: coil open",), ("relay: coil shorted",)]


def test_a_step_that_the_circuit_does_not_tell_has_none() -> None:
    assert told_readings(replace(HORN, circuit=None), PINS) == ()
    assert not fits(PINS, np.array([math.inf]), 1.0)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ([0.1234, 0.5], "0.12 to 0.5 V"),
        ([12.61, 12.64], "12.6 V"),
        ([0.00213, 0.0687], "0.002 to 0.069 V"),
        ([1e-9, 0.2], "0 to 0.2 V"),
        ([3.0, math.inf], "3 V or more"),
        ([math.inf], "over limit"),
    ],
)
def test_spans_in_words(values: list[float], words: str) -> None:
    assert span_words(PINS, np.array(values)) == words
