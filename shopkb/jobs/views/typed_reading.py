"""A reading on a step's page: where it lies, what it says, and the answers as buttons."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Context, Decimal

from django.utils.safestring import mark_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.catalog.meter_values import meter_of
from shopkb.catalog.models import Meter
from shopkb.charts.circuit_drawing import circuit_svg, circuit_words
from shopkb.core.diagnosis.advice.best_place import best_place
from shopkb.core.flow.circuits.told import in_order, told_readings
from shopkb.core.flow.model import AskedValue, ComputedValue, Flow, Step
from shopkb.core.flow.names import cause_name, leads_to
from shopkb.core.flow.paths import causes_from
from shopkb.core.readings.expected import compute
from shopkb.core.readings.judgement import Judgement, Verdict
from shopkb.core.readings.limits import display_interval
from shopkb.core.readings.quantities import Quantity, format_quantity
from shopkb.core.readings.units import UNITS
from shopkb.jobs import answering
from shopkb.jobs.errors import NotPossible, Unreadable
from shopkb.procedures.hand_overs import titles_behind
from shopkb.web.numberline import NumberLine, Segment, number_line

THREE_DIGITS = Context(prec=3)

METER = "meter"
"""Session key: the meter chosen for the day."""


@dataclass(frozen=True)
class Button:
    """One answer as a button."""

    key: str
    number: int
    label: str
    goes: str
    primary: bool


@dataclass(frozen=True)
class TypedReading:
    """What was typed, read once: ``shown`` as a meter shows it, its judgement, or why it cannot be read.

    ``at`` is the reading in the unit of its step, infinite for an over-limit display.
    """

    shown: str = ""
    judgement: Judgement | None = None
    line: NumberLine | None = None
    unreadable: str = ""
    at: float | None = None


def chosen_meter(request: SignedInRequest) -> Meter | None:
    """The meter chosen for the day."""
    key = request.session.get(METER)
    return Meter.objects.filter(key=key).first() if key else None


def meter_named(key: str) -> Meter | None:
    """The meter that a form says a reading was judged with; ``None`` where it says none.

    Raises:
        NotPossible: no meter has this key.
    """
    meter = Meter.objects.filter(key=key).first() if key else None
    if key and meter is None:
        raise NotPossible("The meter this reading was judged with is no longer listed. Choose another and check again.")
    return meter


def judge_typed(step: Step, typed: str, unit: str, values: Mapping[str, Quantity], meter: Meter | None) -> TypedReading:
    """The reading as it was typed and where it lies on the number line; empty for a step without a reading."""
    if step.reading is None:
        return TypedReading()
    if not typed.strip():
        return TypedReading(line=_line(step, values, meter, None))
    try:
        reading, judgement = answering.read_and_judge(step, typed, unit, values, meter)
    except Unreadable as error:
        return TypedReading(typed, line=_line(step, values, meter, None), unreadable=str(error))
    if reading.quantity is None:
        return TypedReading("over limit", judgement, _line(step, values, meter, None), at=math.inf)
    at = float(reading.quantity.to(step.reading.unit).magnitude)
    return TypedReading(format_quantity(reading.quantity), judgement, _line(step, values, meter, at), at=at)


def circuit_readings(
    flow: Flow,
    step: Step,
    values: Mapping[str, Quantity],
    typed: float | None,
    chances: Mapping[str, float] | None = None,
) -> dict[str, object]:
    """What would be read at a step whose procedure has a circuit, and what a typed reading fits; else nothing.

    ``chances`` of causes, by key, put the likeliest first.
    """
    asked = {key: value for key, value in values.items() if isinstance(flow.value_by_key.get(key), AskedValue)}
    possible = in_order(flow, chances or {}, causes_from(flow, step.key))
    told = told_readings(flow, step, asked, possible=possible, typed=typed)
    return {
        "would_read": told,
        "nothing_fits": bool(told) and not any(one.fits for one in told),
        "circuit_drawing": mark_safe(circuit_svg(flow, step)),  # noqa: S308 - our own drawing
        "circuit_words": circuit_words(flow, step),
    }


def place_told(
    flow: Flow, step: Step, chances: Mapping[str, float], done: Collection[str] = (), written: float = 0.0
) -> str:
    """Where else the meter would tell more, in words; empty where what is written does as well, or nothing is known.

    ``written`` are the bits of the best test that is written.
    """
    place = best_place(flow, step, chances, done=done, written=written)
    if place is None or flow.circuit is None:
        return ""
    name = flow.circuit.point_name
    words = f"red on {name(place.red)}, black on {name(place.black)}, all else as in this step. Sound: {place.sound}"
    cause = flow.cause_by_key.get(place.cause)
    return f"{words}; {cause_name(cause.component, cause.mode)}: {place.with_cause}." if cause else f"{words}."


def _line(step: Step, values: Mapping[str, Quantity], meter: Meter | None, at: float | None) -> NumberLine | None:
    """The bands of the step, with the reading at ``at`` in its unit."""
    if step.reading is None:
        return None
    intervals = []
    limits_for = meter_of(meter) if meter is not None else None
    for number, outcome in enumerate(step.outcomes, start=1):
        if outcome.band is None or outcome.band.over_limit or not outcome.band.names <= values.keys():
            continue
        shown_as = display_interval(outcome.band, values, step.reading.unit, limits_for, at)
        intervals.append(Segment(outcome.label, shown_as, str(number)))
    return number_line(intervals, UNITS[step.reading.unit].sign, at) if intervals else None


def verdict_text(step: Step, judgement: Judgement | None) -> str:
    """The verdict in a few words: where the reading lies, and whether that is sure."""
    if judgement is None:
        return ""
    if not judgement.outcome:
        far = judgement.verdict is Verdict.FAR
        return "Not taken as it stands." if far else "No answer fits this reading. Measure again."
    label = step.outcome(judgement.outcome).label
    if judgement.verdict is Verdict.TOO_CLOSE:
        return f"{label}, but too close to call."
    sure = judgement.verdict is Verdict.CLEAR and judgement.distance is not None
    return f"{label}, clear of the limit." if sure else f"{label}."


def answer_buttons(flow: Flow, step: Step, proposed: str, line: NumberLine | None) -> list[Button]:
    """``line``: where the ranges are told in words, with the digits that its meter and reading ask for."""
    range_by_number = {entry.key: entry.text for entry in line.legend} if line else {}
    buttons, titles = [], titles_behind(step.outcomes)
    for number, outcome in enumerate(step.outcomes, start=1):
        band = ""
        if outcome.band is not None and step.reading is not None and outcome.band.over_limit:
            band = outcome.band.resolve({}, step.reading.unit).words("")
        band = band or range_by_number.get(str(number), "")
        goes = "; ".join(part for part in (band, leads_to(flow, outcome.go, titles)) if part)
        buttons.append(Button(outcome.key, number, outcome.label, goes, outcome.key == proposed))
    return sorted(buttons, key=lambda button: not button.primary)


def expectations(flow: Flow, step: Step, values: Mapping[str, Quantity]) -> list[str]:
    """How each computed limit of this step was worked out, one sentence each."""
    names = {name for outcome in step.outcomes if outcome.band for name in outcome.band.names}
    sentences = []
    for value in flow.values:
        if value.key in names and isinstance(value, ComputedValue) and value.key in values:
            expected = compute(value.compute, dict(value.inputs), values)
            sentences.append(f"For the limits: {format_quantity(_rounded(expected.value))}. {expected.how}")
    return sentences


def _rounded(quantity: Quantity) -> Quantity:
    """Three digits that say something: no meter in a workshop shows more of what is only computed."""
    magnitude = THREE_DIGITS.create_decimal(quantity.magnitude)
    return Quantity(magnitude.quantize(Decimal(1)) if abs(magnitude) >= 100 else magnitude, quantity.unit)
