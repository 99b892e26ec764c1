"""What would be read at a step, in words: sound circuits, then the causes, those that read alike together."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from shopkb.core.circuit.parts import Array
from shopkb.core.flow.circuits.predicted import SOUND, meter_spread, predictions
from shopkb.core.flow.circuits.sizes import Values
from shopkb.core.flow.model import Flow, Step
from shopkb.core.flow.names import cause_name
from shopkb.core.readings.bands import short_number
from shopkb.core.readings.units import UNITS

LEAST_TOLD: Final = 5e-4
"""A smaller reading, in the unit of its step, is told as 0."""

WITHIN: Final = 2.0
"""Standard uncertainties of the meter by which a reading may lie outside what a circuit gives and still fit it."""


@dataclass(frozen=True, slots=True)
class ToldReading:
    """What a circuit reads: ``causes`` in words, empty for the sound one alone; ``as_sound`` where causes read like it.

    ``fits`` says whether a reading that was typed lies there; None before one is.
    """

    causes: tuple[str, ...]
    span: str
    as_sound: bool
    fits: bool | None = None


def told_readings(
    flow: Flow,
    step: Step,
    known: Values | None = None,
    *,
    possible: Collection[str] = (),
    typed: float | None = None,
) -> tuple[ToldReading, ...]:
    """What a sound circuit reads at a step, then each cause in the order of ``possible`` (keys; all where empty).

    Causes that read as the sound circuit does stand with it. ``known`` are the values of the run, ``typed`` is a
    reading in the unit of the step, infinite for an over-limit display; what it fits comes first then.
    """
    predicted = predictions(flow, known)
    sound = predicted.of(step.key)
    if not len(sound):
        return ()
    order = [key for key in possible if key in predicted.columns] if possible else list(predicted.causes)
    groups: dict[str, list[str]] = {span_words(step, sound): [SOUND]}
    for key in order:
        values = predicted.of(step.key, key)
        if len(values):
            groups.setdefault(span_words(step, values), []).append(key)
    told = (
        ToldReading(
            tuple(_name(flow, key) for key in keys if key != SOUND),
            span,
            SOUND in keys,
            None if typed is None else any(fits(step, predicted.of(step.key, key), typed) for key in keys),
        )
        for span, keys in groups.items()
    )
    return tuple(sorted(told, key=lambda one: one.fits is False))


def fits(step: Step, values: Array, typed: float) -> bool:
    """Whether a reading lies where these circuits read, give or take what a usual meter errs by."""
    if np.isinf(typed):
        return bool(np.isinf(values).any())
    finite = values[np.isfinite(values)]
    if not len(finite):
        return False
    room = WITHIN * meter_spread(step, np.array([typed]))[0]
    return bool(finite.min() - room <= typed <= finite.max() + room)


def span_words(step: Step, values: Array) -> str:
    """``0.1 to 0.14 V``; ``700 ohm or more`` where it may be over limit too."""
    finite = values[np.isfinite(values)]
    if not len(finite):
        return "over limit"
    low, high = (_number(float(each)) for each in (finite.min(), finite.max()))
    sign = UNITS[step.reading.unit].sign if step.reading else ""
    if len(finite) < len(values):
        return f"{low} {sign} or more"
    return f"{low} {sign}" if low == high else f"{low} to {high} {sign}"


def _number(number: float) -> str:
    """Two figures, three from 10 up: more is not known of any circuit. At most three decimals: no meter shows more."""
    if abs(number) < LEAST_TOLD:
        return "0"
    return short_number(round(float(f"{number:.3g}" if abs(number) >= 10 else f"{number:.2g}"), 3))


def _name(flow: Flow, key: str) -> str:
    cause = flow.cause_by_key[key]
    return cause_name(cause.component, cause.mode)


def in_order(flow: Flow, probabilities: Mapping[str, float], ahead: Collection[str]) -> tuple[str, ...]:
    """The causes of a circuit as a page tells them: those that this step can still lead to, the likeliest first."""
    keys = [key for key in predictions(flow).causes if key in ahead]
    return tuple(sorted(keys, key=lambda key: -probabilities.get(key, 0.0)))
