"""Checks on the circuit of a procedure, and on its limits, held against what the circuit would read."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import Final

import numpy as np

from shopkb.core.circuit.flaws import CircuitFlaw, FlawKind, flaws
from shopkb.core.circuit.parts import Array, Circuit, Sizes
from shopkb.core.flow.checks.rules import Check, Flaw, at_outcome, at_step, rule
from shopkb.core.flow.circuits.followed import followed, inside
from shopkb.core.flow.circuits.predicted import (
    MOST_WORK,
    NOTHING,
    SOUND,
    Predictions,
    outcome_shares,
    predictions,
    work_of,
)
from shopkb.core.flow.circuits.sizes import (
    SUPPLY,
    SizeUnknown,
    circuit_of,
    condition_of,
    measured_of,
    sampled_values,
    sized,
)
from shopkb.core.flow.circuits.told import span_words
from shopkb.core.flow.file.scalars import did_you_mean
from shopkb.core.flow.findings import Level
from shopkb.core.flow.memoize import memoized
from shopkb.core.flow.model import AskedValue, Flow, GoKind, Outcome, Proof, Step
from shopkb.core.flow.names import cause_name
from shopkb.core.flow.paths import causes_from, causes_reachable
from shopkb.core.readings.bands import short_number
from shopkb.core.readings.units import UNITS
from shopkb.core.typed_text import quoted, spoken_list

CIRCUIT: list[Check] = []

CUT: Final = 0.02
"""Share of sound circuits on the wrong side of a limit that is worth telling."""

CONVICTED: Final = 0.05
"""Share of circuits with another cause whose way ends at a cause that is not theirs."""

CLEARED: Final = 0.2
"""Share of circuits with a cause that a reading leads away from it; the smallest of its faults always are."""

ALIKE: Final = 0.05

CONVICTING: Final = frozenset({Proof.MEASURED, Proof.SUBSTITUTED})


# The circuit itself ----------------------------------------------------------------------------------------------


@rule(CIRCUIT, "circuit-size", "Part of the circuit without a size", "No reading could be computed.")
def circuit_size(flow: Flow) -> Iterator[Flaw]:
    found = _sized(flow)
    if isinstance(found, SizeUnknown):
        yield Flaw(found.where, found.message, found.hint)


@rule(CIRCUIT, "circuit-large", "Circuit too large to be computed", "No reading could be computed.")
def circuit_large(flow: Flow) -> Iterator[Flaw]:
    if (work := work_of(flow)) > MOST_WORK:
        yield Flaw(
            "circuit",
            f"Parts times steps that measure times places that can fail make {work}, at most {MOST_WORK} are computed",
            "Leave out parts that no step measures and no fault needs, or name fewer parts with each cause.",
        )


@rule(CIRCUIT, "circuit-wiring", "Circuit that cannot work", "What it says of readings would be wrong.")
def circuit_wiring(flow: Flow) -> Iterator[Flaw]:
    for flaw in _flaws(flow):
        if not flaw.test and flaw.kind is not FlawKind.NO_PART:
            yield Flaw(_place(flaw.part), flaw.message, flaw.hint)
        elif flaw.kind in (FlawKind.SHORTED, FlawKind.CONFLICT):
            yield Flaw(at_step(flow.step_by_key[flaw.test]), flaw.message, flaw.hint, flaw.test)


def _place(part: str) -> str:
    if part == SUPPLY:
        return "circuit.supply"
    return f"circuit.parts.{part}" if part else "circuit.parts"


@rule(CIRCUIT, "circuit-name", "Part or point that the circuit does not have", "Nobody knows what is meant.")
def circuit_name(flow: Flow) -> Iterator[Flaw]:
    for flaw in _flaws(flow):
        if flaw.kind not in (FlawKind.NO_PART, FlawKind.NO_POINT):
            continue
        if flaw.test:
            yield Flaw(at_step(flow.step_by_key[flaw.test], _field(flow, flaw)), flaw.message, flaw.hint, flaw.test)
        else:
            yield Flaw(f"circuit.parts.{flaw.part}.coil", flaw.message, flaw.hint)
    yield from _faults(flow)
    if flow.circuit is None:
        for step in flow.steps:
            if step.state or step.leads or (step.reading and (step.reading.probes or step.reading.through)):
                fault = f"The step {quoted(step.key)} works in a circuit, but the procedure has none"
                yield Flaw(at_step(step), fault, "Add circuit:, or remove state, leads, probes and through.", step.key)


def _field(flow: Flow, flaw: CircuitFlaw) -> str:
    """The field of the step that names what is not there."""
    step, word = flow.step_by_key[flaw.test], flaw.message.rpartition(" ")[2]
    if any(word == one.part or flaw.message.startswith(one.part) for one in step.state):
        return "state"
    if any(word in (one.first, one.second) for one in step.leads):
        return "leads"
    through = step.reading is not None and bool(step.reading.through) and not step.reading.probes
    return "reading.through" if through else "reading.probes"


def _faults(flow: Flow) -> Iterator[Flaw]:
    known = [part.key for part in flow.circuit.parts] if flow.circuit else []
    for cause in flow.causes:
        if cause.fault is None:
            continue
        place = f"causes.{cause.key}.fault"
        if flow.circuit is None:
            yield Flaw(
                place, f"The cause {quoted(cause.key)} is in a circuit, but the procedure has none", "Add circuit:."
            )
            continue
        for name in cause.fault.parts:
            if name not in known:
                listed = f"Its parts are {spoken_list(known, 'and')}." if known else "It has no parts yet: add parts:."
                hint = f"{did_you_mean(name, known)}{listed}"
                yield Flaw(f"{place}.parts", f"The circuit has no part {quoted(name)}", hint)
        if not cause.fault.parts or cause.fault.how is None:
            fault = (
                f"The fault of {quoted(cause.key)} does not say {'how' if cause.fault.parts else 'which part fails'}"
            )
            yield Flaw(place, fault, "Write parts: [PART] and is: open, for example.")


def _sized(flow: Flow) -> tuple[Circuit, Sizes] | SizeUnknown | None:
    def work_out(one: Flow) -> tuple[Circuit, Sizes] | SizeUnknown | None:
        try:
            return sized(one.circuit, sampled_values(one, {})) if one.circuit is not None else None
        except SizeUnknown as unknown:
            return unknown

    return memoized(flow, "_sized_circuit", work_out)


def _flaws(flow: Flow) -> tuple[CircuitFlaw, ...]:
    def find(one: Flow) -> tuple[CircuitFlaw, ...]:
        if one.circuit is None:
            return ()
        tests = {step.key: (condition_of(step), measured_of(step)) for step in one.steps if step.state or step.reading}
        found = _sized(one)
        if isinstance(found, tuple):
            return flaws(*found, tests)
        circuit = circuit_of(one.circuit)
        ones = np.ones((1, len(circuit.parts)))
        structure = flaws(circuit, Sizes(ones, 0 * ones, ones), tests)
        return tuple(flaw for flaw in structure if flaw.kind not in (FlawKind.SHORTED, FlawKind.CONFLICT))

    return memoized(flow, "_circuit_flaws", find)


# Limits against the circuit ------------------------------------------------------------------------------------------


@rule(
    CIRCUIT, "circuit-limit-cuts-sound", "Limit inside what a sound circuit reads",
    "A good part would be sent on as a bad one.", Level.WARNING,
)  # fmt: skip
def limit_cuts_sound(flow: Flow) -> Iterator[Flaw]:
    predicted = _predicted(flow)
    for step in flow.steps:
        shares = outcome_shares(predicted, step)
        if len(shares) and shares.max() < 1 - CUT:
            usual = step.outcomes[int(shares.argmax())]
            values = predicted.of(step.key)
            for outcome, share in zip(step.outcomes, shares, strict=True):
                if outcome is not usual and share >= CUT:
                    yield _cut(flow, predicted, step, outcome, values, float(share))


def _cut(flow: Flow, predicted: Predictions, step: Step, outcome: Outcome, values: Array, share: float) -> Flaw:
    fault = (
        f"A sound circuit reads {span_words(step, values)} here{_example(flow, predicted, step, outcome)}, "
        f"and {_hundredths(share)} of sound ones lie in {_band(outcome)}, {quoted(outcome.label)}"
    )
    return Flaw(at_outcome(step, outcome, "band"), fault, _right(flow, predicted, step, outcome, values), step.key)


def _example(flow: Flow, predicted: Predictions, step: Step, outcome: Outcome) -> str:
    """The values of the run in one sample of a sound circuit that lies in this band."""
    rows = inside(predicted, step).get(SOUND, {}).get(outcome.key)
    if rows is None or not rows.any():
        return ""
    values = predicted.values[int(np.flatnonzero(rows)[0])]
    asked = [one.key for one in flow.values if isinstance(one, AskedValue) and one.key in _used(flow, step)]
    held = {name: values[name] for name in asked if name in values}
    told = [f"{name} {float(one.magnitude):.3g} {UNITS[one.unit].sign}" for name, one in held.items()]
    return f" (in that band with {spoken_list(told, 'and')})" if told else ""


def _used(flow: Flow, step: Step) -> set[str]:
    """The values that the circuit and the bands of a step use, and those that these are computed from."""
    used = {name for one in step.outcomes if one.band for name in one.band.names}
    for part in flow.circuit.parts if flow.circuit else ():
        sizes = (part.ohms, part.amps, part.at, part.area, part.length, part.temperature, part.volts, part.cold)
        used |= {name for size in sizes if size is not None for name in size.names}
    for value in reversed(flow.values):
        if value.key in used and not isinstance(value, AskedValue):
            used |= {text for _, text in value.inputs if text in flow.value_by_key}
    return used


def _right(flow: Flow, predicted: Predictions, step: Step, outcome: Outcome, sound: Array) -> str:
    """What limit would be right: beyond all sound circuits, before the causes that the outcome leads to."""
    wanted = [one for one in predicted.causes if one in causes_reachable(flow, step.key, outcome.key)]
    band = outcome.band
    lie = inside(predicted, step).get(SOUND, {}).get(outcome.key, np.zeros(len(sound), dtype=bool))
    above = band is not None and band.low is not None and band.high is None
    if lie.any() and not lie.all():
        above = bool(sound[lie].mean() > sound[~lie].mean())
    edge = float(sound.max() if above else sound.min())
    limit = short_number(float(f"{edge * (1.1 if above else 0.9):.2g}"))
    beyond = f"{'above' if above else 'below'} {limit} {_sign(step)}"
    asked = any(end.names for end in (band.low, band.high) if end is not None) if band else False
    if not np.isfinite(edge):
        return "Give what an open circuit reads an outcome of its own."
    follow = "" if asked else ", or one that follows the current, such as a computed resistance-drop"
    found = [each for key in wanted for each in predicted.of(step.key, key) if np.isfinite(each)]
    behind = (
        f"; {spoken_list([_name(flow, key) for key in wanted[:3]], 'or')} reads {span_words(step, np.array(found))}"
        if found
        else ""
    )
    return f"Right would be a limit {beyond} for the widest sound circuit{follow}{behind}."


@rule(
    CIRCUIT, "circuit-convicts", "Reading that convicts a good part",
    "A part would be renewed that another one's fault spoke against.", Level.WARNING,
)  # fmt: skip
def convicts(flow: Flow) -> Iterator[Flaw]:
    predicted = _predicted(flow)
    states = followed(flow) if predicted.columns else {}
    for step, outcome in flow.branches:
        if step.key not in predicted.rows or outcome.go.kind is not GoKind.CAUSE or outcome.proof not in CONVICTING:
            continue
        named = flow.cause_by_key.get(outcome.go.key)
        worst, share = "", 0.0
        for cause, state in states.items():
            other = flow.cause_by_key.get(cause)
            if other is None or named is None or other.component == named.component:
                continue
            there = float(state.reach[step.key].sum())
            wrong = float(state.branches[step.key, outcome.key].sum()) / there if there > 0.01 else 0.0
            if wrong > share:
                worst, share = cause, wrong
        if named is not None and share >= CONVICTED:
            values = predicted.of(step.key, worst)
            fault = (
                f"With {_name(flow, worst)} this reads {span_words(step, values)}; of those that come here "
                f"{_hundredths(share)} lie in {_band(outcome)} "
                f"and convict {_name(flow, named.key)}"
            )
            own = predicted.of(step.key, named.key)
            theirs = f" {_name(flow, named.key)} itself reads {span_words(step, own)}." if len(own) else ""
            hint = f"Tell the two apart before, give this reading an outcome of its own, or move the limit.{theirs}"
            yield Flaw(at_outcome(step, outcome, "band"), fault, _capital(hint), step.key)


@rule(
    CIRCUIT, "circuit-clears", "Reading that clears a bad part",
    "The fault would be looked for where it is not.", Level.WARNING,
)  # fmt: skip
def clears(flow: Flow) -> Iterator[Flaw]:
    predicted = _predicted(flow)
    states = followed(flow) if predicted.columns else {}
    for step, outcome in flow.branches:
        if step.key not in predicted.rows or outcome.go.kind is GoKind.HAND_OVER:
            continue
        lost = causes_from(flow, step.key) - causes_reachable(flow, step.key, outcome.key)
        for cause in (one for one in predicted.causes if one in lost):
            reach = float(states[cause].reach[step.key].sum()) if cause in states else 0.0
            share = float(states[cause].branches[step.key, outcome.key].sum()) / reach if reach > 0.01 else 0.0
            if share < CLEARED:
                continue
            values = predicted.of(step.key, cause)
            fault = (
                f"With {_name(flow, cause)} this reads {span_words(step, values)}; {_hundredths(share)} of those that "
                f"come here lie in {_band(outcome)}, from which no way leads to it"
            )
            sound = span_words(step, predicted.of(step.key))
            hint = f"A sound circuit reads {sound} here: move the limit towards it, or lead on."
            yield Flaw(at_outcome(step, outcome, "band"), fault, hint, step.key)


@rule(
    CIRCUIT, "circuit-outcome-never", "Outcome that no circuit gives",
    "Neither the sound circuit nor any cause reads so.", Level.WARNING,
)  # fmt: skip
def outcome_never(flow: Flow) -> Iterator[Flaw]:
    predicted = _predicted(flow)
    for step in flow.steps:
        rows = [outcome_shares(predicted, step, cause) for cause in predicted.columns]
        told = [row for row in rows if len(row)]
        if not told:
            continue
        for place, outcome in enumerate(step.outcomes):
            if max(row[place] for row in told) < 0.002 and outcome.band is not None:
                fault = f"No circuit, sound or with any cause, reads {quoted(outcome.band.text())} here"
                hint = "Say which cause does, correct the band, or remove the outcome."
                yield Flaw(at_outcome(step, outcome, "band"), fault, hint, step.key)


@rule(
    CIRCUIT, "circuit-alike", "Two causes that no step tells apart",
    "One of them would be renewed for the other.", Level.WARNING,
)  # fmt: skip
def alike(flow: Flow) -> Iterator[Flaw]:
    predicted = _predicted(flow)
    tables = {cause: _table(flow, predicted, cause) for cause in predicted.causes}
    for first, second in combinations(predicted.causes, 2):
        same_part = flow.cause_by_key[first].component == flow.cause_by_key[second].component
        if not same_part and len(tables[first]) and np.abs(tables[first] - tables[second]).max() < ALIKE:
            fault = f"{_capital(_name(flow, first))} and {_name(flow, second)} give the same at every step"
            hint = f"Add a step that measures between the two{_between(flow, first, second)}."
            yield Flaw(f"causes.{second}.fault", fault, hint)


def _table(flow: Flow, predicted: Predictions, cause: str) -> Array:
    """All outcome shares of a cause in one row; of what the circuit does not tell, which outcomes lead to it."""
    row: list[float] = []
    for step in flow.steps:
        shares = outcome_shares(predicted, step, cause)
        if len(shares):
            row += [float(each) for each in shares]
        else:
            row += [float(cause in causes_reachable(flow, step.key, one.key)) for one in step.outcomes]
    return np.array(row)


def _between(flow: Flow, first: str, second: str) -> str:
    faults = [flow.cause_by_key[key].fault for key in (first, second)]
    parts = [fault.parts[0] for fault in faults if fault is not None and fault.parts]
    return f", such as the voltage over {parts[0]}" if len(parts) == 2 and parts[0] != parts[1] else ""


# Words -------------------------------------------------------------------------------------------------------------


def _predicted(flow: Flow) -> Predictions:
    """What the circuit says, once nothing is wrong with it."""
    return NOTHING if _flaws(flow) else predictions(flow)


def _name(flow: Flow, key: str) -> str:
    cause = flow.cause_by_key[key]
    name = cause_name(cause.component, cause.mode)
    return name[:1].lower() + name[1:]


def _band(outcome: Outcome) -> str:
    return f"'{outcome.band.text()}'" if outcome.band else "no band"


def _sign(step: Step) -> str:
    return UNITS[step.reading.unit].sign if step.reading else ""


def _hundredths(share: float) -> str:
    return f"{max(round(100 * share), 1)} %"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
