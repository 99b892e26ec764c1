"""A procedure laid out from its circuit: causes, steps in half-splitting order, limits, cautions; the writer's to edit.

What the circuit cannot say is left to the writer, and told (:func:`left_to_writer`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

from shopkb.core.circuit.parts import WARM, PartKind
from shopkb.core.diagnosis.belief.likelihoods import USUAL_WEIGHT
from shopkb.core.diagnosis.drafting.limits import Split
from shopkb.core.diagnosis.drafting.order import Node, tested_order
from shopkb.core.diagnosis.drafting.places import (
    TERMINALS,
    TEST_LAMP_OHMS,
    Place,
    Setup,
    places,
    reached,
    supply_name,
    working,
)
from shopkb.core.diagnosis.drafting.usual_faults import USUAL_FAULTS, component_of, fault_text, mode_of
from shopkb.core.diagnosis.drafting.wording import (
    band_text,
    instruction_of,
    key_words,
    label_of,
    looked_at,
    parts_in,
    plain_point,
    title_of,
)
from shopkb.core.flow.checks.catalog_view import Catalog
from shopkb.core.flow.checks.step_hazards import step_hazards
from shopkb.core.flow.circuit_forms import Join, Setting, parse_defect
from shopkb.core.flow.circuit_spec import CircuitSpec, FaultSpec, PartSpec, PointSpec
from shopkb.core.flow.circuits.predicted import SOUND
from shopkb.core.flow.circuits.sizes import SizeUnknown
from shopkb.core.flow.editing import fresh_key
from shopkb.core.flow.model import (
    Cause,
    Flow,
    Go,
    GoKind,
    Outcome,
    Proof,
    ReadingSpec,
    Step,
    TestKind,
)
from shopkb.core.flow.names import cause_name, words_of_key
from shopkb.core.readings.bands import parse_band
from shopkb.core.readings.parsing import parse_quantity

NO_FAULT: Final = 0.3
"""Weight of a circuit that is sound after all, beside a common cause of 3."""

SIGNALS: Final = ("NOTICE", "CAUTION", "WARNING", "DANGER")

TEST_MINUTES: Final = 2.0

NO_FAULT_NOTE: Final = "No fault of this circuit reads so. Check leads and battery, then measure once more."

CLOSE_MINUTES: Final = 8.0

KEPT_OFF: Final = frozenset({"airbag", "high-voltage"})
"""Hazards of circuits in which no tip is put and no part is tried for another by a draft."""

NO_LAMP: Final = KEPT_OFF | {"control-unit-output"}
"""Hazards of circuits to which no test lamp is put."""

SEEN: Final = frozenset({PartKind.WIRE, PartKind.TERMINAL})
"""Kinds of parts whose fault shows to the eye; the others are put in known good."""


class NoDraft(Exception):
    """No draft can be made of this circuit. ``hint`` says what would be right."""

    def __init__(self, message: str, hint: str) -> None:
        self.message, self.hint = message, hint
        super().__init__(f"{message}. {hint}")


def first_draft(flow: Flow, catalog: Catalog) -> Flow:
    """The flow with causes for parts that no cause names, and with steps in place of those it has.

    Raises:
        NoDraft: there is no circuit, it cannot be worked out, or nothing in it is reached.
    """
    circuit = flow.circuit
    if circuit is None or not circuit.parts:
        raise NoDraft("There is no circuit yet", "Add its parts first.")
    if circuit.supply is None:
        raise NoDraft("The circuit has no supply", "Add supply: with its volts.")
    if not reached(circuit):
        raise NoDraft("No point of the circuit is reached", "Give the points names, and say how each is reached.")
    flow = _lettered(flow, circuit)
    try:
        flow = with_usual_causes(flow)
        found = _allowed(flow, circuit, catalog)
    except SizeUnknown as unknown:
        raise NoDraft(unknown.message, unknown.hint) from None
    inside = [cause for cause in flow.causes if cause.fault is not None]
    if not inside or not found:
        raise NoDraft("No reading tells the causes of this circuit apart", "Name more points, and faults of its parts.")
    chances = {cause.key: USUAL_WEIGHT[cause.usual] for cause in inside} | {SOUND: NO_FAULT}
    minutes = {key: access.minutes for key, access in catalog.access.items()}
    begin = _first_access(flow, catalog)
    return _Draft(flow, catalog, begin).flow_of(tested_order(found, chances, minutes, begin))


def _allowed(flow: Flow, circuit: CircuitSpec, catalog: Catalog) -> tuple[Place, ...]:
    """What could be measured, without what the hazards of the parts at the tips forbid."""
    at: dict[str, frozenset[str]] = {}
    for part in circuit.parts:
        for end in (part.first, part.second):
            if end not in TERMINALS:
                at[end] = at.get(end, frozenset()) | catalog.systems.get(part.of, frozenset())
    return tuple(
        place
        for place in places(flow)
        if not any(
            at.get(end, frozenset()) & (NO_LAMP if place.setup.lamp else KEPT_OFF)
            for end in (place.setup.red, place.setup.black)
        )
    )


# Causes ------------------------------------------------------------------------------------------------------------


def with_usual_causes(flow: Flow) -> Flow:
    """The flow with a usual fault of every part that no cause names.

    Raises:
        SizeUnknown: the circuit cannot be worked out.
    """
    circuit = flow.circuit
    if circuit is None:
        return flow
    named_parts = {part for cause in flow.causes if cause.fault is not None for part in cause.fault.parts}
    causes, known = list(flow.causes), {cause.identity for cause in flow.causes}
    taken = {*flow.step_by_key, *flow.cause_by_key}
    for part in circuit.parts:
        if part.key in named_parts or part.kind not in USUAL_FAULTS:
            continue
        made = _cause(flow, circuit, part, taken)
        if made.identity in known:
            made = replace(made, mode=f"{words_of_key(part.key)} {made.mode}")
        taken.add(made.key)
        known.add(made.identity)
        causes.append(made)
    return replace(flow, causes=tuple(causes))


def _cause(flow: Flow, circuit: CircuitSpec, part: PartSpec, taken: set[str]) -> Cause:
    usual = USUAL_FAULTS[part.kind]
    component = component_of(circuit, part, flow.system)
    return Cause(
        key=fresh_key(f"{part.key} {usual.fails}", taken, "cause"),
        component=component,
        mode=mode_of(part, component, flow.system),
        usual=usual.usual,
        correction=usual.correction,
        minutes=float(usual.minutes),
        also=usual.also,
        fault=FaultSpec((part.key,), parse_defect(fault_text(flow, working(flow), part))),
    )


def _lettered(flow: Flow, circuit: CircuitSpec) -> Flow:
    """Every named point with a letter, in the order of the file."""
    used = {point.letter for point in circuit.points}
    free = iter([letter for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ" if letter not in used])
    points = tuple(
        point if point.letter or not point.name else _letter(point, next(free, "")) for point in circuit.points
    )
    return replace(flow, circuit=replace(circuit, points=points))


def _letter(point: PointSpec, letter: str) -> PointSpec:
    return replace(point, letter=letter)


def _first_access(flow: Flow, catalog: Catalog) -> str:
    """Where the complaint is tried out: in the cabin, where the catalog has that, else where the first point is."""
    at = list(reached(flow.circuit).values()) if flow.circuit is not None else []
    return "cabin" if "cabin" in catalog.access else at[0] if at else ""


# Steps -------------------------------------------------------------------------------------------------------------


@dataclass
class _Draft:
    """The steps while they are made, each before those it leads to."""

    flow: Flow
    catalog: Catalog
    begin: str

    def __post_init__(self) -> None:
        self.steps: dict[str, Step] = {}
        self.measured: dict[tuple[frozenset[str], Setup], str] = {}
        self.looked: dict[tuple[tuple[str, ...], str], str] = {}

    @property
    def circuit(self) -> CircuitSpec:
        circuit = self.flow.circuit
        assert circuit is not None  # noqa: S101 - first_draft looked
        return circuit

    def flow_of(self, first: Node) -> Flow:
        complaint = self._key("complaint")
        self.steps[complaint] = self._complaint(complaint, Go(GoKind.OUT))
        go, _ = self._way(first, self.begin)
        self.steps[complaint] = self._complaint(complaint, go)
        steps = tuple(self._with_cautions(step) for step in self.steps.values())
        flow = self.flow
        return replace(
            flow,
            steps=steps,
            start=complaint,
            summary=flow.summary or self._summary(),
            verify=flow.verify or self._verify(),
        )

    def _key(self, words: str) -> str:
        return fresh_key(words, {*self.steps, *self.flow.cause_by_key})

    def _complaint(self, key: str, go: Go) -> Step:
        loads = [part for part in self.circuit.parts if part.kind in WARM]
        at = next((part.of for part in loads if part.of), self.flow.system)
        on = [words_of_key(part) for part in sorted(working(self.flow))]
        switched = f"Switch on {', '.join(on)}." if on else "Switch it on."
        return Step(
            key=key,
            title="Is the complaint there now?",
            test=TestKind.LOOK,
            outcomes=(
                Outcome("there", "The complaint is there", go),
                Outcome(
                    "gone", "It works now", Go(GoKind.OUT), note="Not present now. Move plugs and wires meanwhile."
                ),
            ),
            at=at,
            access=self.begin,
            minutes=TEST_MINUTES,
            state=tuple(Setting(part, closed=True) for part in sorted(working(self.flow))),
            instruction=f"1. {switched} Three times.\n2. Listen and look what does happen.\n",
        )

    def _way(self, node: Node, access: str) -> tuple[Go, Proof | None]:
        """Where a band leads that leaves these states."""
        causes = sorted(node.states - {SOUND}, key=[cause.key for cause in self.flow.causes].index)
        if not causes:
            return Go(GoKind.OUT), None
        if node.split is not None:
            return Go(GoKind.STEP, self._measure(node, node.split)), None
        if SOUND not in node.states and self._one_repair(causes):
            return Go(GoKind.CAUSE, causes[0]), Proof.MEASURED
        return self._told_apart(tuple(causes), access)

    def _one_repair(self, causes: Sequence[str]) -> bool:
        """Whether one repair does for all of these."""
        found = [self.flow.cause_by_key[key] for key in causes]
        return len(found) == 1 or len({(cause.component, cause.correction) for cause in found}) == 1

    def _measure(self, node: Node, split: Split) -> str:
        known = (node.states, split.place.setup)
        if known in self.measured:
            return self.measured[known]
        key = self._key(key_words(split.place))
        self.measured[known] = key
        self.steps[key] = Step(key, "", TestKind.MEASURE, ())  # takes its place before those behind it
        outcomes: list[Outcome] = []
        for number, way in enumerate(node.ways):
            go, proof = self._way(way, split.place.setup.access)
            label = label_of(split, number)
            band = parse_band(band_text(split, number, supply_name(self.flow)))
            note = NO_FAULT_NOTE if go.kind is GoKind.OUT else ""
            own = fresh_key(label, {one.key for one in outcomes}, "outcome")
            outcomes.append(Outcome(own, label, go, band, proof, note))
        self.steps[key] = self._measuring(key, split, tuple(outcomes))
        return key

    def _measuring(self, key: str, split: Split, outcomes: tuple[Outcome, ...]) -> Step:
        circuit, setup = self.circuit, split.place.setup
        state = [Setting(part, closed=True) for part in sorted(setup.closed)]
        state += [Setting(part, closed=False) for part in sorted(setup.opened)]
        clamp = bool(setup.through)
        tools = ("clamp meter",) if clamp else ("voltmeter", "back probes", *(["21 W test lamp"] if setup.lamp else []))
        lamp = Join(setup.red, setup.black, parse_quantity(f"{TEST_LAMP_OHMS} ohm", "resistance"))
        return Step(
            key=key,
            title=title_of(circuit, split.place),
            test=TestKind.MEASURE,
            outcomes=outcomes,
            at=self._component(setup),
            access=setup.access,
            minutes=setup.minutes,
            tools=tools,
            state=tuple(state),
            leads=(lamp,) if setup.lamp else (),
            reading=ReadingSpec(
                quantity=setup.quantity,
                unit="A" if clamp else "V",
                between=() if clamp else tuple(plain_point(circuit, end) for end in (setup.red, setup.black)),
                loaded=setup.lamp or not setup.opened,
                probes=() if clamp else (Join(setup.red, setup.black),),
                through=setup.through,
            ),
            instruction=instruction_of(self.flow, circuit, split),
        )

    def _component(self, setup: Setup) -> str:
        """The component a tip or the clamp is at: that of a plug or part with an end there, not of a wire."""
        ends = [end for end in (setup.red, setup.black) if end not in TERMINALS]
        here = [part for part in self.circuit.parts if {part.first, part.second} & set(ends)]
        here.sort(key=lambda part: (part.key != setup.through, part.kind is PartKind.WIRE, ends[0] != part.first))
        return next((part.of for part in here if part.of), self.flow.system)

    def _told_apart(self, causes: tuple[str, ...], access: str) -> tuple[Go, Proof | None]:
        """Steps for causes that no reading of the circuit tells apart: a close look at what can be seen, then each
        other part known good in its place. What belongs to a circuit that nobody may touch is left over."""
        if (causes, access) in self.looked:
            return Go(GoKind.STEP, self.looked[causes, access]), None
        seen = [key for key in causes if self._part(key).kind in SEEN]
        kept_off = [key for key in causes if key not in seen and self._is_kept_off(key)]
        swapped = [key for key in causes if key not in seen and key not in kept_off]
        if not seen and not swapped:
            return Go(GoKind.CAUSE, kept_off[0]), Proof.ELIMINATION
        rest = tuple(key for key in causes if key not in seen) if seen else (*swapped[1:], *kept_off)
        key = self._look(seen, rest, access) if seen else self._swap(swapped[0], rest, access)
        self.looked[causes, access] = key
        return Go(GoKind.STEP, key), None

    def _is_kept_off(self, cause: str) -> bool:
        hazards = self.catalog.systems.get(self.flow.cause_by_key[cause].component, frozenset())
        return bool(hazards & KEPT_OFF)

    def _look(self, seen: Sequence[str], rest: tuple[str, ...], access: str) -> str:
        found = [self.flow.cause_by_key[key] for key in seen]
        key = self._key(f"look at {self._part(seen[0]).key}")
        title = f"Look closely: {parts_in(self.flow, seen)}"
        self.steps[key] = Step(key, title, TestKind.LOOK, ())
        outcomes = [
            Outcome(one.key, one.mode[:1].upper() + one.mode[1:], Go(GoKind.CAUSE, one.key), proof=Proof.SEEN)
            for one in found
        ]
        outcomes.append(self._otherwise("nothing", "Nothing found", rest, access))
        self.steps[key] = replace(
            self.steps[key], outcomes=tuple(outcomes), at=found[0].component, access=access, minutes=CLOSE_MINUTES,
            tools=("lamp",),
            instruction=f"1. Switch off, unplug.\n2. {looked_at([self._part(one).kind for one in seen])}\n",
        )  # fmt: skip
        return key

    def _swap(self, swapped: str, rest: tuple[str, ...], access: str) -> str:
        cause = self.flow.cause_by_key[swapped]
        words = words_of_key(self._part(cause.key).key)
        key = self._key(f"known good {words}")
        self.steps[key] = Step(key, f"A known good {words} in place of this one", TestKind.SUBSTITUTE, ())
        works = Outcome("works", "It works now", Go(GoKind.CAUSE, cause.key), proof=Proof.SUBSTITUTED)
        same = self._otherwise("same", "Same as before", rest, access)
        self.steps[key] = replace(
            self.steps[key], outcomes=(works, same), at=cause.component, access=access, minutes=CLOSE_MINUTES,
            tools=(f"known good {words}",),
            instruction=f"1. Switch off.\n2. Known good **{words}** in, then as at the first step.\n",
        )  # fmt: skip
        return key

    def _otherwise(self, key: str, label: str, rest: tuple[str, ...], access: str) -> Outcome:
        """The outcome that leaves these causes; with none it leaves the procedure."""
        if not rest:
            return Outcome(key, label, Go(GoKind.OUT), note=NO_FAULT_NOTE)
        go, proof = self._told_apart(rest, access)
        return Outcome(key, label, go, proof=proof)

    def _part(self, cause: str) -> PartSpec:
        fault = self.flow.cause_by_key[cause].fault
        keys = fault.parts if fault is not None else ()
        return next(part for part in self.circuit.parts if part.key in keys)

    # Cautions, and words for the whole -----------------------------------------------------------------------------

    def _with_cautions(self, step: Step) -> Step:
        """The fewest cautions of the catalog that cover the hazards of the step, of equals the mildest."""
        wanted = step_hazards(step, self.catalog)
        if step.reading is not None and step.reading.probes:
            wanted |= {"spread-terminal"}
        return replace(step, cautions=fewest_cautions(wanted, self.catalog))

    def _summary(self) -> str:
        parts = [words_of_key(part.key) for part in self.circuit.parts if part.kind is not PartKind.WIRE]
        return (
            f"Halves the circuit by readings under load: {', '.join(parts)}. Limits are worked out from its sizes; the "
            "vehicle maker's data come first.\n"
        )

    def _verify(self) -> str:
        on = [words_of_key(part) for part in sorted(working(self.flow))]
        return (
            f"Ten times {', '.join(on) or 'switched on'}, under the conditions of the complaint, plugs and wires moved "
            "meanwhile. Codes cleared before do not come back.\n"
        )


def fewest_cautions(wanted: frozenset[str], catalog: Catalog) -> tuple[str, ...]:
    """The fewest cautions that cover these hazards as far as any do, of equals those with least beside, of these those
    of the highest signal words."""
    covers = {key: one.hazards & wanted for key, one in catalog.cautions.items() if one.hazards & wanted}
    coverable = frozenset().union(*covers.values()) if covers else frozenset()
    for count in range(len(coverable) + 1):
        fitting = [
            keys
            for keys in combinations(sorted(covers), count)
            if frozenset().union(*(covers[key] for key in keys)) == coverable
        ]
        if fitting:
            return min(fitting, key=lambda keys: _weight(keys, wanted, catalog))
    return ()


def _weight(keys: Sequence[str], wanted: frozenset[str], catalog: Catalog) -> tuple[int, int]:
    held = [catalog.cautions[key] for key in keys]
    return sum(len(one.hazards - wanted) for one in held), -sum(SIGNALS.index(one.signal) for one in held)


# What is left ------------------------------------------------------------------------------------------------------


def left_to_writer(flow: Flow) -> tuple[str, ...]:
    """What only a writer can know and this draft does not say, in words."""
    told: list[str] = []
    circuit = flow.circuit
    points = circuit.points if circuit is not None else ()
    bare = [point.name for point in points if point.name and not point.access and point.key not in TERMINALS]
    if bare:
        told.append(f"How these points are reached: {', '.join(bare)}.")
    priceless = sum(cause.price is None for cause in flow.causes if cause.fault is not None)
    if priceless:
        told.append(f"The prices of {priceless} causes; how common they are, and their minutes, are common practice.")
    seen = [step for step in flow.steps if step.reading is None and step.key != flow.start]
    told += [f"How step {flow.number_by_step[step.key]} is done: {step.title}." for step in seen]
    weak = [flow.cause_by_key[one.go.key] for _, one in flow.branches if one.proof is Proof.ELIMINATION]
    told += [
        f"A test that shows {cause_name(one.component, one.mode)}: now it is only what is left over." for one in weak
    ]
    out = [step for step in flow.steps for one in step.outcomes if one.note == NO_FAULT_NOTE]
    if out:
        told.append("Where a job goes on when everything reads as it should: now it leaves the procedure.")
    return tuple(told)
