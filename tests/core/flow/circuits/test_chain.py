"""Circuits built part by part."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.circuit.parts import MINUS, PLUS, PartKind
from shopkb.core.diagnosis.drafting.first_draft import first_draft
from shopkb.core.flow.circuit_spec import CircuitSpec
from shopkb.core.flow.circuits.chain import LOADS, Added, Piece, begun, ends, with_part, without_part
from shopkb.core.flow.circuits.followed import followed
from shopkb.core.flow.editing import new_flow
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.model import Flow, GoKind
from tests.shelf import CATALOG

EMPTY = new_flow("horn-silent", "Horn does not sound", "body/horn")


def circuit_of(flow: Flow) -> CircuitSpec:
    assert flow.circuit is not None
    return flow.circuit


def chained(*pieces: tuple[Piece, str]) -> Flow:
    flow = begun(EMPTY)
    for piece, name in pieces:
        behind = ends(circuit_of(flow))[0]
        flow = with_part(flow, Added(piece, name, behind, "body/horn/horn", "bonnet-open", amps=6.0, ohms=90.0))
    return flow


HORN = chained(
    (Piece.FUSE, "horn fuse"), (Piece.RELAY, "horn relay"), (Piece.LOAD, "horn"), (Piece.EARTH, "earth point")
)


def test_each_part_begins_where_the_one_before_ends_and_the_last_goes_to_earth() -> None:
    circuit = circuit_of(HORN)
    by_key = {part.key: part for part in circuit.parts}
    at, passed = PLUS, []
    while at != MINUS:
        part = next(one for one in circuit.parts if one.first == at and one.kind is not PartKind.COIL)
        passed.append(part.key)
        at = part.second
    assert [key for key in passed if by_key[key].kind is not PartKind.WIRE] == [
        "horn-fuse", "horn-relay", "horn-plug", "horn", "horn-plug-earth", "earth-point"
    ]  # fmt: skip
    assert by_key["horn-relay"].coil == "horn-relay-coil"
    assert by_key["horn-relay-switch"].second == MINUS


def test_what_is_built_stands_in_the_file_and_gives_a_draft_that_reaches_every_cause() -> None:
    draft = first_draft(HORN, CATALOG)
    assert read_flow(write_flow(draft).encode()).flow == draft
    for cause, state in followed(draft).items():
        if cause:
            branches = [
                (step, one) for step, one in draft.branches if one.go.kind is GoKind.CAUSE and one.go.key == cause
            ]
            assert sum(float(state.branches[step.key, one.key].mean()) for step, one in branches) > 0.98, cause


PIECES = st.lists(
    st.tuples(st.sampled_from(sorted(set(Piece) - {Piece.EARTH})), st.sampled_from(["horn", "Fuse 7", "é"])), max_size=5
)


@given(PIECES)
def test_keys_are_never_used_twice_and_the_file_reads_the_same(pieces: list[tuple[Piece, str]]) -> None:
    flow = chained(*pieces, (Piece.EARTH, "horn"))
    keys = [part.key for part in circuit_of(flow).parts]
    assert len(set(keys)) == len(keys)
    assert read_flow(write_flow(flow).encode()).flow == flow


@pytest.mark.parametrize("key", ["horn-fuse", "horn-relay", "horn-plug"])
def test_without_a_part_the_chain_holds(key: str) -> None:
    flow = without_part(HORN, key)
    circuit = circuit_of(flow)
    at = PLUS
    for _ in circuit.parts:
        if at != MINUS:
            at = next(one for one in circuit.parts if one.first == at and one.kind is not PartKind.COIL).second
    assert at == MINUS
    assert key not in {part.key for part in circuit.parts}
    if key == "horn-relay":
        assert not {part.key for part in circuit.parts} & {"horn-relay-coil", "horn-relay-switch"}


def test_causes_of_a_part_that_is_gone_lose_their_fault() -> None:
    draft = replace(first_draft(HORN, CATALOG), steps=())
    left = without_part(draft, "horn-fuse")
    assert left.cause_by_key["horn-fuse-open"].fault is None
    assert left.cause_by_key["horn-open"].fault is not None


def test_loads_are_the_pieces_that_need_a_current() -> None:
    assert {Piece.LOAD, Piece.LAMP, Piece.MOTOR} == LOADS


def test_a_coil_takes_its_contacts_along() -> None:
    coil = next(one for one in circuit_of(HORN).parts if one.kind is PartKind.COIL)
    contact = next(one for one in circuit_of(HORN).parts if one.coil == coil.key)
    assert without_part(HORN, coil.key) == without_part(HORN, contact.key)
    assert all(not one.coil for one in circuit_of(without_part(HORN, coil.key)).parts)


def test_a_coil_written_the_other_way_round_takes_no_more_than_its_own() -> None:
    circuit = circuit_of(HORN)
    coil = next(one for one in circuit.parts if one.kind is PartKind.COIL)
    contact = next(one for one in circuit.parts if one.coil == coil.key)
    turned = tuple(
        replace(one, first=one.second, second=one.first) if one.key == coil.key else one for one in circuit.parts
    )
    other = without_part(replace(HORN, circuit=replace(circuit, parts=turned)), contact.key)
    assert circuit_of(other).parts == circuit_of(without_part(HORN, contact.key)).parts
    assert any(one.kind is PartKind.FUSE for one in circuit_of(other).parts)


def test_a_circle_behind_a_coil_ends() -> None:
    circuit = circuit_of(HORN)
    coil = next(one for one in circuit.parts if one.kind is PartKind.COIL)
    round_about = tuple(replace(one, second=one.first) if one.key == coil.key else one for one in circuit.parts)
    contact = next(one for one in circuit.parts if one.coil == coil.key)
    left = without_part(replace(HORN, circuit=replace(circuit, parts=round_about)), contact.key)
    assert coil.key not in {one.key for one in circuit_of(left).parts}


@pytest.mark.parametrize("ohms", [1e6, 999_999.6, 0.0005, 123_456.7])
def test_a_size_is_written_as_it_was_typed(ohms: float) -> None:
    flow = begun(EMPTY)
    switch = Added(Piece.SWITCH, "horn switch", ends(circuit_of(flow))[0], "body/horn/horn", "bonnet-open", ohms=ohms)
    made = next(one for one in circuit_of(with_part(flow, switch)).parts if one.kind is PartKind.SWITCH)
    assert made.ohms is not None
    assert float(made.ohms.text().split()[0]) == ohms
