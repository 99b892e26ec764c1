"""The words of a drafted step: its title, what to do, what each range of readings means."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from shopkb.core.circuit.parts import MINUS, PartKind
from shopkb.core.diagnosis.drafting.limits import Limit, Split
from shopkb.core.diagnosis.drafting.places import Place, Setup
from shopkb.core.flow.circuit_spec import CircuitSpec
from shopkb.core.flow.circuits.predicted import SOUND
from shopkb.core.flow.file.scalars import LINE_LIMIT
from shopkb.core.flow.model import Flow
from shopkb.core.flow.names import words_of_key
from shopkb.core.readings.bands import short_number
from shopkb.core.typed_text import spoken_list

MOST_NAMED = 3
"""Parts that one sentence names."""

SIGN = {"voltage": "V", "current": "A"}


def told_states(setup: Setup) -> str:
    """``horn button switched on``; empty where nothing is switched."""
    told = [
        f"{spoken_list([words_of_key(key) for key in sorted(keys)], 'and')} switched {word}"
        for keys, word in ((setup.closed, "on"), (setup.opened, "off"))
        if keys
    ]
    return ", ".join(told)


def title_of(circuit: CircuitSpec, place: Place) -> str:
    """``Voltage at feed pin of the horn plug``; ``, horn button off`` where it is on when the complaint is there."""
    setup = place.setup
    tail = f", {spoken_list([words_of_key(key) for key in sorted(setup.opened)], 'and')} off" if setup.is_off else ""
    if setup.through:
        return f"Current of the {words_of_key(setup.through)}{tail}"
    red, black = (plain_point(circuit, end) for end in (setup.red, setup.black))
    if setup.black == MINUS and near_supply(place):
        words = f"Voltage at {red}{', test lamp on' if setup.lamp else ''}{tail}"
    else:
        words = f"Voltage {'between' if near_supply(place) else 'lost between'} {red} and {black}{tail}"
    return words if len(words) <= LINE_LIMIT else f"{words[: LINE_LIMIT - 2].rpartition(' ')[0]} …"


def key_words(place: Place) -> str:
    """What the key of a step is made of: ``volts horn-in``, ``loss relay-in relay-out``, ``lamp fuse-out``."""
    setup = place.setup
    if setup.through:
        return f"current {setup.through}"
    if setup.black != MINUS:
        return f"loss {setup.red} {setup.black}"
    off = " off" if setup.is_off else ""
    return f"{'lamp' if setup.lamp else 'volts'} {setup.red}{off}"


def plain_point(circuit: CircuitSpec, key: str) -> str:
    """The name of a point without its letter."""
    name = circuit.point_name(key)
    return name.rpartition(" (")[0] if name.endswith(")") else name


def instruction_of(flow: Flow, circuit: CircuitSpec, split: Split) -> str:
    """What is switched, where the leads go, what a sound circuit reads, and what the reading decides."""
    place, setup = split.place, split.place.setup
    state = told_states(setup)
    lines = [f"{state[:1].upper()}{state[1:]}. All plugs stay on." if state else "All plugs stay on."]
    if setup.through:
        lines.append(f"Zero the clamp, then around one wire of the **{words_of_key(setup.through)}**.")
    else:
        red, black = circuit.point_name(setup.red), circuit.point_name(setup.black)
        lamp = " A 21 W lamp from the same points as the load." if setup.lamp else ""
        lines.append(f"Red lead to **{red}**, black lead to **{black}**.{lamp}")
    lines.append(f"A sound circuit reads {span(place, SOUND)}.")
    listed = "\n".join(f"{number}. {line}" for number, line in enumerate(lines, start=1))
    return f"{listed}\n\n{_why(flow, split)}\n"


def span(place: Place, state: str) -> str:
    """``11.2 to 13 V``: what one state of the circuit reads here."""
    found, sign = place.by_state[state], SIGN[place.setup.quantity]
    low, high = (_figure(float(end)) for end in (found.min(), found.max()))
    return f"{low} {sign}" if low == high else f"{low} to {high} {sign}"


def _figure(number: float) -> str:
    return (
        "0" if abs(number) < 0.005 else short_number(float(f"{number:.3g}" if abs(number) >= 10 else f"{number:.2g}"))
    )


def _why(flow: Flow, split: Split) -> str:
    told = [
        f"{label_of(split, number)}: {parts_in(flow, band)}."
        for number, band in enumerate(split.bands)
        if set(band) - {SOUND}
    ]
    return f"What is left. {' '.join(told)}"


def parts_in(flow: Flow, states: Collection[str]) -> str:
    """``horn fuse, feed wire or 2 more``: the parts that these causes are in, in the order of the causes."""
    faults = [cause.fault for cause in flow.causes if cause.key in states]
    parts = list(dict.fromkeys(part for fault in faults if fault is not None for part in fault.parts))
    words = [words_of_key(part) for part in parts[:MOST_NAMED]]
    more = len(parts) - len(words)
    return spoken_list([*words, *([f"{more} more"] if more else [])], "or")


def label_of(split: Split, number: int) -> str:
    """What a range of readings is called: ``Voltage there``, ``Voltage low or missing``."""
    below, middle_below, right, middle_above, above = _labels(split.place)
    sound, last = split.sound, len(split.bands) - 1
    if number == sound:
        return right
    if number < sound:
        return below if number == 0 and sound == 1 else "None" if number == 0 else middle_below
    return above if number == last else middle_above


def _labels(place: Place) -> tuple[str, str, str, str, str]:
    if place.setup.quantity == "current":
        return "No current, or too little", "Too little current", "Current as usual", "More current", "Too much current"
    if near_supply(place):
        return "Voltage low or missing", "Voltage there, but low", "Voltage there", "A little more", "Too much voltage"
    return "Less than usual", "A little less than usual", "No more lost than usual", "Some lost", "Too much lost"


def near_supply(place: Place) -> bool:
    """Whether a sound circuit reads more than half of the supply here."""
    supply = float(place.supply.mean()) or max(float(np.abs(one).max()) for one in place.by_state.values())
    return float(place.by_state[SOUND].mean()) > supply / 2


def band_text(split: Split, number: int, supply: str) -> str:
    """The range in the form of the file."""
    sign = SIGN[split.place.setup.quantity]
    low = _limit(split.limits[number - 1], supply, sign) if number else ""
    high = _limit(split.limits[number], supply, sign) if number < len(split.limits) else ""
    if low and high:
        return f"{low} .. {high}"
    return f">= {low}" if low else f"< {high}"


def _limit(limit: Limit, supply: str, sign: str) -> str:
    figure = f"{short_number(abs(limit.figure))} {sign}"
    if not limit.of_supply:
        return f"{'-' if limit.figure < 0 else ''}{figure}"
    return f"{supply} {'-' if limit.figure < 0 else '+'} {figure}"


def looked_at(kinds: Sequence[PartKind]) -> str:
    """How parts of these kinds are looked at."""
    looked = {
        PartKind.WIRE: "Wires: broken strands, green, chafed, pulled?",
        PartKind.TERMINAL: "Plugs and joints: green, brown, loose, spread?",
    }
    return " ".join(dict.fromkeys(looked[kind] for kind in kinds if kind in looked))
