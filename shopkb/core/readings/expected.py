"""Expected values by named computation, so that limits belong to the wire, the sensor or the battery at hand.

A procedure's file names a computation and its inputs; there is no other expression language. The computations stand
in :mod:`~shopkb.core.readings.wiring`, :mod:`~shopkb.core.readings.sensors` and :mod:`~shopkb.core.readings.fluids`.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from shopkb.core.readings import fluids, sensors, wiring
from shopkb.core.readings.computations import Computation, Expected, Input, read_inputs
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.typed_text import quoted, spoken_list

__all__ = ["COMPUTATIONS", "Computation", "Expected", "Input", "computation_help", "compute"]

COMPUTATIONS: Mapping[str, Computation] = MappingProxyType(
    {each.name: each for each in (*wiring.COMPUTATIONS, *sensors.COMPUTATIONS, *fluids.COMPUTATIONS)}
)
"""Every computation by name."""


def compute(name: str, inputs: Mapping[str, str | Quantity], values: Mapping[str, Quantity]) -> Expected:
    """Compute the value that should be measured.

    Args:
        name: a key of :data:`COMPUTATIONS`.
        inputs: by input name, a quantity, its text, a plain number or word as text, or the name of a value.
        values: named values of the run.

    Raises:
        ReadingError: the computation is unknown, or an input is unknown, missing, of the wrong kind or out of range.
    """
    if name not in COMPUTATIONS:
        raise ReadingError(f"There is no computation {quoted(name)}", f"Right would be {spoken_list(COMPUTATIONS)}")
    computation = COMPUTATIONS[name]
    return computation.compute(read_inputs(computation, inputs, values))


def computation_help() -> tuple[tuple[str, str, str], ...]:
    """Rows for the help text: computation, input ("" for the computation itself), and words."""
    rows = []
    for each in COMPUTATIONS.values():
        rows.append((each.name, "", f"{each.summary}. Gives a {each.result_quantity}. Source: {each.source}"))
        rows += [(each.name, given.name, _input_words(given)) for given in each.inputs]
    return tuple(rows)


def _input_words(given: Input) -> str:
    kind = spoken_list(given.choices) if given.choices else given.quantity or "plain number"
    if given.default:
        return f"{given.words} ({kind}; {given.default} if not given)"
    return f"{given.words} ({kind}{'' if given.needed else '; may be left out'})"
