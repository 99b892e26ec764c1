"""The bench: pick a computation, fill its inputs in, read what should be measured."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from shopkb.bench.forms import ComputationForm
from shopkb.core.readings.computations import Computation, Expected, words
from shopkb.core.readings.expected import COMPUTATIONS, compute
from shopkb.core.readings.quantities import ReadingError
from shopkb.core.readings.units import UNITS

GROUPS: Final = {
    "Cables and loads": (
        "copper-cable-drop", "joint-drop", "resistance-drop", "current-from-power", "duty-to-mean-voltage",
    ),
    "Battery": ("battery-rest-voltage", "battery-state-of-charge"),
    "Windings and temperature sensors": (
        "resistor-at-temperature", "thermistor-beta", "thermistor-alpha", "thermistor-steinhart-hart",
        "thermistor-temperature", "platinum-sensor",
    ),
    "Cooling": ("coolant-boiling-point",),
}  # fmt: skip
"""Where a technician looks for each computation."""


@dataclass(frozen=True)
class Offered:
    """A computation in two lines: what it tells, and what else should be known of it (may be empty)."""

    name: str
    title: str
    about: str


@dataclass(frozen=True)
class ComputedAnswer:
    """What should be measured, how that comes about, and the line that says the same in a procedure file."""

    expected: str
    how: str
    line: str


@require_safe
def bench(request: HttpRequest, name: str = "") -> HttpResponse:
    """The list of computations, or one of them with its form; a filled-in form is an address that can be kept."""
    if name and name not in COMPUTATIONS:
        raise Http404(f"There is no computation {name}.")
    groups = [(title, [offered(COMPUTATIONS[each]) for each in names]) for title, names in GROUPS.items()]
    context: dict[str, object] = {"groups": groups, "section": "bench"}
    status = 200
    if name:
        computation = COMPUTATIONS[name]
        asked = any(field.name in request.GET for field in computation.inputs)
        form = ComputationForm(computation, request.GET if asked else None)
        context |= {"computation": computation, "offered": offered(computation), "form": form}
        context["rows"] = _rows(form, computation)
        context["answer"] = _answer(form, computation) if asked else None
        status = 422 if form.errors else 200
    return render(request, "bench/bench.html", context, status=status)


def offered(computation: Computation) -> Offered:
    """The summary, parted where its own colon or semicolon parts it."""
    title, _mark, about = re.sub(r"; ", ": ", computation.summary, count=1).partition(": ")
    return Offered(computation.name, title, about[:1].upper() + about[1:])


def _rows(form: ComputationForm, computation: Computation) -> list[tuple[object, str]]:
    """Each field with the sign of its unit."""
    return [(form[field.name], UNITS[field.unit].sign if field.unit else "") for field in computation.inputs]


def _answer(form: ComputationForm, computation: Computation) -> ComputedAnswer | None:
    if not form.is_valid():
        return None
    inputs = form.inputs()
    try:
        expected = compute(computation.name, inputs, {})
    except ReadingError as error:
        form.add_error(None, f"{error.message}. {error.hint}." if error.hint else f"{error.message}.")
        return None
    arguments = "".join(f", {name}: {text}" for name, text in inputs.items())
    return ComputedAnswer(expected_text(expected), expected.how, f"{{compute: {computation.name}{arguments}}}")


def expected_text(expected: Expected) -> str:
    """``1.18 to 1.44 Ω``, or about the one value where nothing is known of its spread."""
    value = words(float(expected.value.magnitude), expected.value.unit)
    if expected.low is None or expected.high is None:
        return f"about {value}"
    low, high = (words(float(end.magnitude), end.unit) for end in (expected.low, expected.high))
    return f"{low.rpartition(' ')[0]} to {high}"
