"""A reading on a step's page: where it lies, what it says, and the answers as buttons."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Context, Decimal

from shopkb.accounts.requests import SignedInRequest
from shopkb.catalog.meter_values import meter_of
from shopkb.catalog.models import Meter
from shopkb.core.flow.model import ComputedValue, Flow, Step
from shopkb.core.readings.expected import compute
from shopkb.core.readings.judgement import Judgement, Verdict
from shopkb.core.readings.limits import display_interval
from shopkb.core.readings.units import UNITS, Quantity, ReadingError, format_quantity, parse_reading
from shopkb.jobs import answering
from shopkb.jobs.errors import Unreadable
from shopkb.jobs.views.run_state import leads_to
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


def chosen_meter(request: SignedInRequest) -> Meter | None:
    key = request.session.get(METER)
    return Meter.objects.filter(key=key).first() if key else None


def judge_typed(
    step: Step, typed: str, unit: str, values: dict[str, Quantity], meter: Meter | None
) -> tuple[Judgement | None, NumberLine | None, str]:
    if step.reading is None:
        return None, None, ""
    judgement, unreadable, at = None, "", None
    if typed.strip():
        try:
            reading, judgement = answering.read_and_judge(step, typed, unit, values, meter)
            if reading.quantity is not None:
                at = float(reading.quantity.to(step.reading.unit).magnitude)
        except Unreadable as error:
            unreadable = str(error)
    intervals = []
    limits_for = meter_of(meter) if meter is not None else None
    for number, outcome in enumerate(step.outcomes, start=1):
        if outcome.band is None or outcome.band.over_limit or not outcome.band.names <= values.keys():
            continue
        shown_as = display_interval(outcome.band, values, step.reading.unit, limits_for, at)
        intervals.append(Segment(outcome.label, shown_as, str(number)))
    line = number_line(intervals, UNITS[step.reading.unit].sign, at) if intervals else None
    return judgement, line, unreadable


def verdict_text(step: Step, judgement: Judgement | None) -> str:
    """The verdict in a few words: where the reading lies, and whether that is sure."""
    if judgement is None:
        return ""
    if not judgement.outcome:
        return "No answer fits this reading. Measure again."
    label = step.outcome(judgement.outcome).label
    if judgement.verdict is Verdict.TOO_CLOSE:
        return f"{label}, but too close to call."
    return f"{label}, clear of the limit." if judgement.verdict is Verdict.CLEAR else f"{label}."


def answer_buttons(flow: Flow, step: Step, proposed: str, line: NumberLine | None) -> list[Button]:
    """``line``: where the ranges are told in words, with the digits that its meter and reading ask for."""
    range_by_number = {entry.key: entry.text for entry in line.legend} if line else {}
    buttons = []
    for number, outcome in enumerate(step.outcomes, start=1):
        band = ""
        if outcome.band is not None and step.reading is not None and outcome.band.over_limit:
            band = outcome.band.resolve({}, step.reading.unit).words("")
        band = band or range_by_number.get(str(number), "")
        goes = "; ".join(part for part in (band, leads_to(flow, outcome)) if part)
        buttons.append(Button(outcome.key, number, outcome.label, goes, outcome.key == proposed))
    return sorted(buttons, key=lambda button: not button.primary)


def as_shown(typed: str, unit: str, step: Step) -> str:
    """What was typed, as a meter shows it."""
    if step.reading is None or not typed.strip():
        return ""
    try:
        reading = parse_reading(typed, step.reading.quantity, unit or step.reading.unit)
    except ReadingError:
        return typed
    return "over limit" if reading.quantity is None else format_quantity(reading.quantity)


def expectations(flow: Flow, step: Step, values: Mapping[str, Quantity]) -> list[str]:
    """How each computed limit of this step was worked out, one sentence each."""
    names = {name for outcome in step.outcomes if outcome.band for name in outcome.band.names}
    sentences = []
    for value in flow.values:
        if value.key in names and isinstance(value, ComputedValue) and value.key in values:
            expected = compute(value.compute, dict(value.inputs), values)
            sentences.append(
                f"Expected {value.key.replace('_', ' ')}: {format_quantity(_rounded(expected.value))}. {expected.how}"
            )
    return sentences


def _rounded(quantity: Quantity) -> Quantity:
    """Three digits that say something: no meter in a workshop shows more of what is only computed."""
    magnitude = THREE_DIGITS.create_decimal(quantity.magnitude)
    return Quantity(magnitude.quantize(Decimal(1)) if abs(magnitude) >= 100 else magnitude, quantity.unit)
