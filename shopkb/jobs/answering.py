"""What an answer says, as a row not yet stored: asked values, the reading judged, the reason it was overruled."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from shopkb.accounts.models import User
from shopkb.catalog.meter_values import meter_of
from shopkb.catalog.models import Meter as MeterRow
from shopkb.core.flow.model import AskedValue, ComputedValue, Flow, Step
from shopkb.core.readings.expected import compute
from shopkb.core.readings.judgement import Judgement, Verdict, judge
from shopkb.core.readings.parsing import parse_quantity, parse_reading
from shopkb.core.readings.plausible import check_not_below_all
from shopkb.core.readings.quantities import Quantity, Reading, ReadingError, format_quantity
from shopkb.core.readings.units import UNITS
from shopkb.jobs.dangers import LONG_BREAK
from shopkb.jobs.errors import NotPossible, Unreadable
from shopkb.jobs.judged import Judged
from shopkb.jobs.log.hash_chain import storable
from shopkb.jobs.models import Result, Run

MOST = 10**12
"""Readings from here on have no place in a row."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the technician says of one step: an outcome, or why it is skipped and the outcome assumed for the way on."""

    step: str
    client_id: UUID
    outcome: str = ""
    skipped: str = ""
    onward: str = ""
    typed: str = ""
    unit: str = ""
    meter: MeterRow | None = None
    override_why: str = ""
    note: str = ""
    off_path: bool = False
    by_chance: bool = False
    """Whether the tool had chosen this step by chance."""
    shown: str = ""
    """The cautions on the screen, as :mod:`shopkb.jobs.shown_words` notes them."""


def read_answer(step: str, client_id: UUID, sent: Mapping[str, str]) -> Answer:
    """The answer in a posted form or an item of an outbox, as far as its columns hold it; without its meter."""
    return Answer(
        step=step,
        client_id=client_id,
        outcome=sent.get("outcome", ""),
        skipped=sent.get("skipped", ""),
        onward=sent.get("onward", ""),
        typed=sent.get("typed", ""),
        unit=sent.get("unit", ""),
        override_why=sent.get("override_why", ""),
        note=one_line_end(sent.get("note", "")),
        off_path=sent.get("off_path") == "yes",
        by_chance=sent.get("by_chance") == "yes",
        shown=sent.get("shown", ""),
    )


def one_line_end(text: str) -> str:
    """Line ends as the page's own field counts them: forms send two characters for each (RFC 7578, 4.4; HTML)."""
    return text.replace("\r\n", "\n")


def read_value(value: AskedValue, typed: str) -> Quantity:
    """What was typed for an asked value, in its unit.

    Raises:
        Unreadable: not a quantity of the right kind, or outside ``from`` and ``to``.
    """
    try:
        quantity = parse_quantity(typed, unit=value.unit).to(value.unit)
        check_not_below_all(quantity, UNITS[value.unit].quantity)
    except ReadingError as error:
        raise _unreadable(error, value.unit) from error
    if abs(quantity.magnitude) >= MOST:
        raise _too_much(quantity)
    if value.low is not None and quantity.magnitude < value.low.to(value.unit).magnitude:
        raise Unreadable(
            f"{format_quantity(quantity)} is less than can be true here.",
            f"It is {format_quantity(value.low)} or more.",
        )
    if value.high is not None and quantity.magnitude > value.high.to(value.unit).magnitude:
        raise Unreadable(
            f"{format_quantity(quantity)} is more than can be true here.",
            f"It is {format_quantity(value.high)} or less.",
        )
    return quantity


def _unreadable(error: ReadingError, unit: str) -> Unreadable:
    """In the words of the reader, which knows no unit for its example."""
    sign = UNITS[unit].sign
    asked = f"number in {sign}" if sign else "number"
    return Unreadable(error.message, re.sub(r"number( and its unit)?, such as 12\.7( V)?$", asked, error.hint))


def _too_much(quantity: Quantity) -> Unreadable:
    return Unreadable(f"{quantity} is more than any meter shows.", "Look at the number and its unit again.")


def values_of(run: Run, flow: Flow) -> dict[str, Quantity]:
    """What was asked on this run and what follows from it. Computed values whose inputs are missing are left out."""
    asked = {row.key: Quantity(row.magnitude, row.unit) for row in run.values.order_by("pk")}
    return with_computed(flow, asked)


def values_for(run: Run, flow: Flow, step: Step) -> dict[str, Quantity]:
    """As :func:`values_of` where a band of the step names a value; else empty, and no query."""
    return values_of(run, flow) if _names(step) else {}


def _names(step: Step) -> set[str]:
    """The values that the bands of the step name."""
    return {name for outcome in step.outcomes if outcome.band for name in outcome.band.names}


def with_computed(flow: Flow, asked: Mapping[str, Quantity]) -> dict[str, Quantity]:
    """``asked`` and every computed value whose inputs are known."""
    known = dict(asked)
    for value in flow.values:
        if isinstance(value, ComputedValue):
            try:
                known[value.key] = compute(value.compute, dict(value.inputs), known).value
            except ReadingError:
                continue
    return known


def values_missing(flow: Flow, step: Step, known: Mapping[str, Quantity]) -> list[AskedValue]:
    """Values that must be asked before this step's bands can be read."""
    wanted: list[AskedValue] = []
    pending = sorted(_names(step))
    seen: set[str] = set()
    while pending:
        name = pending.pop(0)
        value = flow.value_by_key.get(name)
        if value is None or name in seen:
            continue
        seen.add(name)
        if isinstance(value, AskedValue):
            if name not in known:
                wanted.append(value)
        else:
            pending += [text for _input, text in value.inputs if text in flow.value_by_key]
    return wanted


def read_and_judge(
    step: Step, typed: str, unit: str, values: Mapping[str, Quantity], meter: MeterRow | None
) -> tuple[Reading, Judgement]:
    """Read what was typed and say which outcome it gives and how surely.

    Raises:
        Unreadable: it cannot be read as what the step measures.
    """
    spec = step.reading
    if spec is None:
        raise NotPossible("This step takes no reading.")
    try:
        reading = parse_reading(typed, spec.quantity, unit or spec.unit)
        bands = [(outcome.key, outcome.band) for outcome in step.outcomes if outcome.band is not None]
        return reading, judge(
            bands,
            reading,
            values,
            spec.quantity,
            spec.unit,
            meter_of(meter) if meter is not None else None,
            spec.plausible,
        )
    except ReadingError as error:
        raise _unreadable(error, spec.unit) from error


def fill(result: Result, step: Step, answer: Answer, values: Mapping[str, Quantity]) -> None:
    """Put on a new row what an answer says, with its reading judged.

    Raises:
        Unreadable: the reading cannot be read as what the step measures.
        NotPossible: an unknown outcome or reason, or an answer other than the reading gives, without a reason why.
    """
    keys = {outcome.key for outcome in step.outcomes}
    if answer.skipped:
        if answer.skipped not in Result.Skip.values:
            raise NotPossible("Choose one of the reasons offered for leaving this step out.")
        if answer.onward not in keys:
            raise NotPossible("Say which way to go on without this result.")
        result.skipped, result.onward = answer.skipped, answer.onward
        return
    if answer.outcome not in keys:
        raise NotPossible("Choose one of the answers offered.")
    result.outcome = answer.outcome
    if step.reading is None:
        return
    if not answer.typed.strip():
        _needs_reason(result, answer, "Enter the reading, or say why you answer without one.")
        return
    judgement = put_reading(result, step, answer, values)
    if judgement.verdict is Verdict.FAR:
        _needs_reason(result, answer, f"{judgement.words}. If it is right, say how you know.")
    elif judgement.outcome and judgement.outcome != answer.outcome:
        _needs_reason(result, answer, "The reading gives another answer. Say why you choose this one; both are kept.")


def put_reading(row: Judged, step: Step, answer: Answer, values: Mapping[str, Quantity]) -> Judgement:
    """Put on a new row the reading that was typed, with its judgement.

    Raises:
        Unreadable: it cannot be read as what the step measures.
    """
    reading, judgement = read_and_judge(step, answer.typed, answer.unit, values, answer.meter)
    row.typed, row.over_limit, row.meter = answer.typed.strip(), reading.over_limit, answer.meter
    if reading.quantity is not None and step.reading is not None:
        in_unit = reading.quantity.to(step.reading.unit)
        if abs(in_unit.magnitude) >= MOST:
            raise _too_much(in_unit)
        row.reading, row.unit = storable(in_unit.magnitude), in_unit.unit
    row.proposed, row.verdict, row.judgement = judgement.outcome, judgement.verdict.value, judgement.words[:300]
    return judgement


def _needs_reason(result: Result, answer: Answer, message: str) -> None:
    if not answer.override_why.strip():
        raise NotPossible(message)
    result.override_why = answer.override_why.strip()


def longest_work(step: Step) -> timedelta:
    """What lies longer than this between two results is a break: half an hour, or twice the minutes that the writer
    expects of the step where that is more, as a test may say to wait."""
    return max(LONG_BREAK, timedelta(minutes=2 * (step.minutes or 0.0)))


def seconds_since(run: Run, rows: list[Result], step: Step, by: User, at: datetime) -> int | None:
    """Time the step took: since the last result of the same person, unless there was a break."""
    last_at, last_who = (rows[-1].at, rows[-1].who_id) if rows else (run.started_at, run.holder_id)
    gap = at - last_at
    if last_who != by.pk or gap > longest_work(step) or gap < timedelta(0):
        return None
    return round(gap.total_seconds())
