"""What a computation of an expected value is: its inputs, its result, and how typed inputs are read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from shopkb.core.readings.bands import short_number
from shopkb.core.readings.parsing import parse_number, parse_quantity
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import QUANTITIES, UNITS
from shopkb.core.typed_text import spoken_list


@dataclass(frozen=True)
class Input:
    """One input: of a ``quantity``, or, where that is empty, one of the ``choices`` or else a plain number.

    ``default`` is text as it would be typed; ``low`` and ``high`` bound what makes sense, in ``unit``.
    """

    name: str
    words: str
    quantity: str = ""
    unit: str = ""
    needed: bool = True
    default: str = ""
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Expected:
    """An expected value: ``value``, the limits for a part that is in order, and a sentence on how it was computed."""

    low: Quantity | None
    value: Quantity
    high: Quantity | None
    how: str


class Given:
    """Inputs as read: numbers in the unit the computation names, words as typed. A missing input has no key."""

    def __init__(self, numbers: Mapping[str, float], words: Mapping[str, str]) -> None:
        self._numbers = numbers
        self._words = words

    def __contains__(self, name: str) -> bool:
        return name in self._numbers or name in self._words

    def __getitem__(self, name: str) -> float:
        return self._numbers[name]

    def word(self, name: str) -> str:
        return self._words[name]


@dataclass(frozen=True)
class Factor:
    """What one input does to a result that is a product: ``table[x]`` where that holds it, else ``size * x ** power``,
    with ``x`` in the unit of the input."""

    power: int = 1
    size: float = 1.0
    table: Mapping[float, float] = field(default_factory=dict)

    def at(self, x: float) -> float:
        held = self.table.get(x)
        return self.size * x**self.power if held is None else held


@dataclass(frozen=True)
class Computation:
    """A named computation; ``compute`` takes its inputs as :class:`Given`.

    ``factors``: by input, those that the expected value changes with as a product, the other inputs staying as they
    are. A device without the server can work such a value out (:mod:`~shopkb.core.readings.products`).
    """

    name: str
    result_quantity: str
    inputs: tuple[Input, ...]
    compute: Callable[[Given], Expected]
    summary: str
    source: str
    factors: Mapping[str, Factor] = field(default_factory=dict)


def amount(number: float, unit: str) -> Quantity:
    """A computed number as a quantity, seven figures."""
    return Quantity(Decimal(f"{number:.7g}") + 0, unit)


def words(number: float, unit: str, figures: int = 4) -> str:
    """``0.751 V`` with the sign people see."""
    return f"{short_number(float(f'{number:.{figures}g}'))} {UNITS[unit].sign}"


def read_inputs(
    computation: Computation, inputs: Mapping[str, str | Quantity], values: Mapping[str, Quantity]
) -> Given:
    """Typed inputs as numbers and words.

    Raises:
        ReadingError: an input is unknown, missing, of the wrong kind or outside what makes sense.
    """
    known = {each.name: each for each in computation.inputs}
    for name in inputs:
        if name not in known:
            raise ReadingError(f"{computation.name} has no input '{name}'", f"It takes {spoken_list(known)}")
    numbers: dict[str, float] = {}
    texts: dict[str, str] = {}
    for each in computation.inputs:
        given = inputs.get(each.name, "")
        if isinstance(given, str) and not given.strip():
            given = each.default
        if given == "":
            if each.needed:
                raise ReadingError(f"{computation.name} needs {each.name}, {each.words}", f"Give {_right(each)}")
        elif each.choices:
            texts[each.name] = _choice(computation, each, given)
        else:
            numbers[each.name] = _number(computation, each, given, values)
    return Given(numbers, texts)


def _right(each: Input) -> str:
    if each.choices:
        return spoken_list(each.choices)
    if not each.quantity:
        return "a plain number"
    return f"{'an' if each.quantity[0] in 'aeiou' else 'a'} {each.quantity} in {_units(each.quantity)}"


def _units(quantity: str) -> str:
    return spoken_list(UNITS[symbol].sign for symbol in QUANTITIES[quantity])


def _choice(computation: Computation, each: Input, given: str | Quantity) -> str:
    word = str(given).strip().lower()
    if word not in each.choices:
        raise ReadingError(f"{each.name} of {computation.name} cannot be '{given}'", f"Give {_right(each)}")
    return word


def _number(computation: Computation, each: Input, given: str | Quantity, values: Mapping[str, Quantity]) -> float:
    where = f"{each.name} of {computation.name}"
    try:
        number = _read_number(each, given, values)
    except ReadingError as error:
        hint = error.hint or f"Give {_right(each)}"
        raise ReadingError(f"{where}: {error.message}", f"{hint}, or the name of a value of this procedure") from error
    if (each.low is not None and number < each.low) or (each.high is not None and number > each.high):
        sign = f" {UNITS[each.unit].sign}" if each.unit else ""
        ends = [short_number(end) + sign for end in (each.low, each.high) if end is not None]
        right = (
            f"from {ends[0]} to {ends[1]}"
            if len(ends) == 2
            else f"{'at least' if each.high is None else 'at most'} {ends[0]}"
        )
        raise ReadingError(f"{where}: {short_number(number)}{sign} is out of range", f"Give {each.words}, {right}")
    return number


def _read_number(each: Input, given: str | Quantity, values: Mapping[str, Quantity]) -> float:
    if isinstance(given, str) and given.strip() in values:
        given = values[given.strip()]
    if not each.quantity:
        if isinstance(given, Quantity):
            raise ReadingError(f"{given} has a unit, a plain number is asked for", "Give the number alone")
        return float(parse_number(given))
    if isinstance(given, Quantity):
        given = str(given)
    return float(parse_quantity(given, each.quantity).exact(each.unit))
