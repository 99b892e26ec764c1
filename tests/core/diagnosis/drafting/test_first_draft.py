"""First drafts from circuits: each of their causes is reached by the readings it gives, and the checks find nothing
that the draft could have known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import networkx as nx
import pytest

from shopkb.core.circuit.parts import PartKind
from shopkb.core.diagnosis.drafting.first_draft import NoDraft, fewest_cautions, first_draft, left_to_writer
from shopkb.core.diagnosis.drafting.limits import round_between
from shopkb.core.diagnosis.drafting.places import neighbouring, places
from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.checks.catalog_view import Catalog, CautionView
from shopkb.core.flow.checks.step_hazards import step_hazards
from shopkb.core.flow.circuits.followed import followed
from shopkb.core.flow.circuits.predicted import SOUND
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.model import Flow, GoKind, Proof, TestKind
from tests.shelf import CATALOG, ROOT

CIRCUITS = sorted((ROOT / "tests" / "data" / "circuits").glob("*.yaml"))
SHIPPED = sorted(file for file in (ROOT / "flows").glob("*.yaml") if "\ncircuit:" in file.read_text(encoding="utf-8"))


def flow_in(file: Path) -> Flow:
    read = read_flow(file.read_bytes())
    assert read.flow is not None, read.findings
    return read.flow


def bare(flow: Flow) -> Flow:
    """A shipped procedure without its steps; each point is reached as its steps reach it."""
    access: dict[str, str] = {}
    for step in flow.steps:
        for probe in step.reading.probes if step.reading else ():
            access.setdefault(probe.first, step.access)
            access.setdefault(probe.second, step.access)
    assert flow.circuit is not None
    points = tuple(replace(point, access=access.get(point.key, "")) for point in flow.circuit.points)
    causes = tuple(cause for cause in flow.causes if cause.fault is not None)
    return replace(flow, circuit=replace(flow.circuit, points=points), steps=(), start="", causes=causes)


@cache
def drafted(file: Path) -> Flow:
    flow = flow_in(file)
    return first_draft(bare(flow) if flow.steps else flow, CATALOG)


ALL = pytest.mark.parametrize("file", [*CIRCUITS, *SHIPPED], ids=lambda file: file.stem)


@ALL
def test_every_cause_is_reached_by_what_its_fault_reads(file: Path) -> None:
    draft = drafted(file)
    states = followed(draft)
    assert len(states) == len(draft.causes) + 1
    for cause, state in states.items():
        found: dict[str, float] = {}
        for step, outcome in draft.branches:
            if outcome.go.kind in (GoKind.CAUSE, GoKind.OUT):
                share = float(state.branches[step.key, outcome.key].mean())
                found[outcome.go.key] = found.get(outcome.go.key, 0.0) + share
        if cause != SOUND:
            assert found[cause] > 0.98, (cause, found)


@ALL
def test_the_checks_find_only_what_a_writer_can_know(file: Path) -> None:
    draft = drafted(file)
    found = check_flow(draft, CATALOG)
    assert not [finding for finding in found if finding.is_error]
    assert {finding.id for finding in found} <= {"cause-by-elimination"}
    told = left_to_writer(draft)
    assert len([one for one in told if one.startswith("A test that shows")]) == len(found)


@pytest.mark.parametrize("file", CIRCUITS, ids=lambda file: file.stem)
def test_a_draft_goes_into_a_file_and_back_and_is_made_alike_each_time(file: Path) -> None:
    draft = drafted(file)
    assert read_flow(write_flow(draft).encode()).flow == draft
    assert first_draft(flow_in(file), CATALOG) == draft


@ALL
def test_steps_say_where_leads_go_what_is_sound_and_what_is_left(file: Path) -> None:
    draft = drafted(file)
    for step in draft.steps:
        assert step.instruction
        assert step.minutes
        if step.test is TestKind.MEASURE:
            assert "A sound circuit reads" in step.instruction
            assert "What is left." in step.instruction
            assert len(step.outcomes) > 1
            assert all(outcome.band is not None for outcome in step.outcomes)
    assert draft.verify
    assert draft.summary


@ALL
def test_hazards_are_covered_and_nothing_is_done_to_airbag_circuits(file: Path) -> None:
    draft = drafted(file)
    for step in draft.steps:
        covered = frozenset().union(*(CATALOG.cautions[key].hazards for key in step.cautions))
        hazards = step_hazards(step, CATALOG)
        assert hazards <= covered
        if step.test in (TestKind.MEASURE, TestKind.SUBSTITUTE):
            assert "airbag" not in CATALOG.systems[step.at]
        if step.leads:
            assert "control-unit-output" not in hazards


STEPS = {
    # Steps of the draft, and those of them a writer has to change: how a look or another part is done, and the horn
    # button, which is only left over. What readings give is left as it is.
    "horn-silent": (14, 3),
    "wiper-dead": (17, 6),
}


@pytest.mark.parametrize("file", CIRCUITS, ids=lambda file: file.stem)
def test_how_many_steps_a_writer_has_to_change(file: Path) -> None:
    draft = drafted(file)
    changed = [one for one in left_to_writer(draft) if one.startswith("How step")]
    assert (len(draft.steps), len(changed)) == STEPS[file.stem]


def test_a_measured_end_has_a_reading_that_differs_from_a_sound_circuit() -> None:
    """Of the way to a cause that is called measured, one reading at least lies where no sound circuit reads."""
    draft = drafted(CIRCUITS[0])
    sound = followed(draft)[SOUND]
    for step, outcome in draft.branches:
        if outcome.go.kind is GoKind.CAUSE and outcome.proof is Proof.MEASURED:
            assert float(sound.branches[step.key, outcome.key].mean()) == 0


def test_causes_that_a_writer_wrote_stay() -> None:
    file = next(one for one in SHIPPED if one.stem == "brake-lamps-off")
    written = bare(flow_in(file)).causes
    assert drafted(file).causes[: len(written)] == written


def test_what_no_draft_can_be_made_of_is_told() -> None:
    flow = flow_in(CIRCUITS[0])
    circuit = flow.circuit
    assert circuit is not None
    with pytest.raises(NoDraft, match="no circuit yet"):
        first_draft(replace(flow, circuit=None), CATALOG)
    with pytest.raises(NoDraft, match="no supply"):
        first_draft(replace(flow, circuit=replace(circuit, supply=None)), CATALOG)
    with pytest.raises(NoDraft, match="No point"):
        first_draft(replace(flow, circuit=replace(circuit, points=())), CATALOG)
    loose = tuple(replace(part, amps=None) if part.kind is PartKind.LOAD else part for part in circuit.parts)
    with pytest.raises(NoDraft, match="has no size"):
        first_draft(replace(flow, circuit=replace(circuit, parts=loose)), CATALOG)


def test_without_set_up_states_the_draft_says_that_they_are_missing() -> None:
    flow = flow_in(CIRCUITS[0])
    assert flow.circuit is not None
    points = tuple(replace(point, access="") for point in flow.circuit.points)
    draft = first_draft(replace(flow, circuit=replace(flow.circuit, points=points)), CATALOG)
    assert any(one.startswith("How these points are reached: feed side") for one in left_to_writer(draft))


def test_neighbours_are_those_of_the_graph_without_the_points_between() -> None:
    """Oracle: networkx."""
    flow = flow_in(CIRCUITS[1])
    assert flow.circuit is not None
    points = frozenset({"fuse-out", "relay-in", "relay-out", "coil-out", "motor-in", "motor-out"})
    graph = nx.Graph((part.first, part.second) for part in flow.circuit.parts)
    expected = set()
    for first in points | {"battery+"}:
        for second in points - {first}:
            between = graph.subgraph(set(graph) - ((points | {"battery+", "battery-"}) - {first, second}))
            if first in between and nx.has_path(between, first, second):
                expected.add(frozenset((first, second)))
    assert {frozenset(pair) for pair in neighbouring(flow.circuit, points)} == expected


def test_a_lamp_is_only_put_where_the_feed_alone_carries_it() -> None:
    for place in places(drafted(CIRCUITS[0])):
        if place.setup.lamp:
            assert (place.by_state[SOUND] > 0.7 * place.supply).all()


@pytest.mark.parametrize(
    ("low", "high", "near", "figure"), [(0.03, 4.0, 0.03, 1.5), (6, 11, 11, 9.4), (0.06, 0.4, 0.06, 0.2)]
)
def test_limits_are_round_and_lie_between(low: float, high: float, near: float, figure: float) -> None:
    found = round_between(low, high, near)
    assert low < found < high
    assert abs(found - figure) <= (high - low) / 4


def test_the_fewest_cautions_with_least_beside_are_taken_and_of_equals_the_severest() -> None:
    catalog = Catalog(
        cautions={
            "a": CautionView("a", "DANGER", frozenset({"airbag", "hot-parts"})),
            "b": CautionView("b", "WARNING", frozenset({"airbag", "hot-parts"})),
            "c": CautionView("c", "NOTICE", frozenset({"hot-parts"})),
        }
    )
    assert fewest_cautions(frozenset({"airbag", "hot-parts"}), catalog) == ("a",)
    assert fewest_cautions(frozenset({"hot-parts"}), catalog) == ("c",)
    assert fewest_cautions(frozenset({"roll-away"}), catalog) == ()
