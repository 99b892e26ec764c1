"""Writing loses nothing: generated flows with hostile texts come back equal, and the second round gives the same bytes.

ruamel.yaml's own safe loader, as YAML 1.1 and as YAML 1.2, is the outside witness that any loader sees the same texts.
"""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from shopkb.core.circuit.parts import FaultKind, PartKind
from shopkb.core.flow.circuit_forms import NEEDS_RANGE, RANGED, Defect, Join, Setting, Spread
from shopkb.core.flow.circuit_spec import CircuitSpec, FaultSpec, PartSpec, PointSpec, SupplySpec
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.scalars import LINE_LIMIT, RESERVED_KEYS, unwanted_character
from shopkb.core.flow.file.writer import flow_tree, write_flow
from shopkb.core.flow.model import (
    AskedValue,
    Cause,
    ComputedValue,
    Flow,
    Go,
    GoKind,
    Outcome,
    Proof,
    ReadingSpec,
    Step,
    TestKind,
    Usual,
)
from shopkb.core.readings.bands import Band, parse_band
from shopkb.core.readings.expressions import parse_expression
from shopkb.core.readings.quantities import Quantity
from shopkb.core.readings.units import QUANTITIES, UNITS
from tests.core.flow.snapshots import VALID
from tests.examples import examples

HOSTILE = [
    "yes", "No", "ON", "off", "~", "null", "true", "y", "", " ", "# x", "a # b", "a: b", "a:", ": a", "- a", "-", "? a",
    "%a", "@a", "`a", "!a", "&a", "*a", "|", ">", "[a", "a]", "{a}", "a, b", "'", '"', "it's", 'say "a"', "\\", "a\\n",
    " a", "a ", "\ta", "a\t", "1", "1.5", "1:30", "0x1F", "010", "1e3", ".inf", ".nan", "2026-01-05", "1_000", "=",
    "<<", "---", "...", "--- a", "a\n", "a\n\n", "\na", "a\n b", " a\nb", "a\n\nb\n", "a \nb", "a\n#b", "a\n---\nb\n",
    "a\r\nb", "\u2028", "a\u2029b", "\ufeffa", "\xa0", "\u202eabc", "شاحنة",
    "שלום", "😀", "👩‍🔧", "Ω ≥ 5 °C", "5 V", "-5 V",
    "5V", "1 e5", "out", "hand-over x", "a" * LINE_LIMIT,
]  # fmt: skip

letters = st.characters(exclude_categories=["Cs", "Cc"], exclude_characters="\ufffe\uffff")
anything = st.one_of(
    st.sampled_from(HOSTILE),
    st.text(st.one_of(letters, st.sampled_from("\t\n\r :#-'\"\\,[]{}|>%&*!?@`~=<.")), max_size=30),
)
texts = anything.filter(lambda text: unwanted_character(text) is None)
lines = texts.filter(lambda text: text.strip() and len(text.splitlines()) == 1 and len(text) <= LINE_LIMIT)
keys = st.one_of(
    st.from_regex(r"[a-z][a-z0-9]{0,5}(-[a-z0-9]{1,4}){0,2}", fullmatch=True),
    st.sampled_from(["no", "yes", "on", "off", "y", "n", "true", "null", "e1"]),
)
node_keys = keys.filter(lambda key: key not in RESERVED_KEYS)
names = st.from_regex(r"v_[a-z0-9]{1,6}", fullmatch=True)
paths = st.lists(keys, min_size=1, max_size=3).map("/".join)
some_minutes = st.one_of(st.none(), st.decimals(0, 9999, places=2).map(float), st.floats(0, 100).map(abs))
some_minutes = some_minutes.filter(lambda number: not number or number > 1e-6)
numbers = st.decimals(0, 9999, places=3)
quantities = st.builds(Quantity, st.decimals(-99, 9999, places=2), st.sampled_from(sorted(UNITS)))


def some(items: st.SearchStrategy[Any], most: int = 3) -> st.SearchStrategy[tuple[Any, ...]]:
    return st.lists(items, max_size=most).map(tuple)


def unique(items: st.SearchStrategy[Any], most: int) -> st.SearchStrategy[tuple[Any, ...]]:
    return st.lists(items, max_size=most, unique_by=lambda item: item.key).map(tuple)


@st.composite
def bands(draw: st.DrawFn) -> Band:
    unit = draw(st.sampled_from(["V", "ohm", "degC", "%", "1/min"]))

    def end() -> str:
        start = f"{draw(numbers)} {unit}"
        return draw(st.sampled_from([start, f"v_a - v_b * {draw(numbers)}", f"v_a + {start}"]))

    form = draw(st.sampled_from(["< {}", "<= {}", "> {}", ">= {}", "{} .. {}", "over-limit"]))
    return parse_band(form.format(*(end() for _ in range(form.count("{}")))))


points = st.builds(str.__add__, keys, st.sampled_from(["", "", "+", "-"]))
ohms = st.builds(Quantity, st.decimals(0, 9999, places=3), st.sampled_from(["ohm", "mohm", "kohm"]))
shares = st.builds(Quantity, st.decimals(1, 900, places=1), st.just("%"))
joins = st.builds(Join, points, points, st.none() | ohms)
settings_of_switches = st.builds(Setting, keys, st.booleans())
spreads = st.builds(Spread, st.decimals(0, 99, places=1)) | st.builds(Spread, st.none(), ohms, ohms)
defects = st.one_of(
    st.builds(Defect, st.sampled_from(sorted(set(FaultKind) - NEEDS_RANGE))),
    st.builds(Defect, st.sampled_from(sorted(RANGED - {FaultKind.TIMES})), ohms, st.none() | ohms),
    st.builds(Defect, st.just(FaultKind.TIMES), shares, shares),
)
faults = st.builds(FaultSpec, some(keys), st.none() | defects)
amounts = st.sampled_from(["12.6 V", "battery", "rated * 0.5", "20 mohm + v_a", "1.5 mm2"]).map(
    lambda text: parse_expression(text, text)
)
supplies = st.builds(SupplySpec, amounts, st.none() | amounts, st.none() | spreads)
named_points = st.builds(
    PointSpec, points, st.just("") | lines, st.just("") | lines, st.just("") | st.sampled_from(["cabin", "bonnet-open"])
)
maybe = st.none() | amounts
parts = st.builds(
    PartSpec, keys, st.sampled_from(PartKind), points, points, maybe, maybe, maybe, maybe, maybe, maybe, maybe,
    st.none() | spreads, maybe, maybe, st.just("") | keys, st.just("") | lines, st.just("") | paths,
)  # fmt: skip


def circuits() -> st.SearchStrategy[CircuitSpec]:
    return st.builds(CircuitSpec, st.none() | supplies, unique(named_points, 2), unique(parts, 2))


measured = [(quantity, unit) for quantity, units in QUANTITIES.items() for unit in units]
expected = st.none() | bands()
throughs = st.just("") | keys
readings = st.sampled_from(measured).flatmap(
    lambda pair: st.builds(
        ReadingSpec, *map(st.just, pair), some(lines, 2), st.booleans(), expected, some(joins), throughs
    )
)
asked = st.builds(
    AskedValue, names, lines, st.sampled_from(sorted(UNITS)), st.none() | quantities, st.none() | quantities
)
inputs = st.dictionaries(keys.filter(lambda key: key != "compute"), lines, max_size=3)
computed = st.builds(ComputedValue, names, keys, inputs.map(lambda given: tuple(given.items())))


@st.composite
def flows(draw: st.DrawFn) -> Flow:
    step_keys = draw(st.lists(node_keys, max_size=4, unique=True))
    cause_keys = draw(st.lists(node_keys.filter(lambda key: key not in step_keys), max_size=3, unique=True))
    nowhere = node_keys.filter(lambda key: key not in (*step_keys, *cause_keys))
    ways = [st.just(Go(GoKind.OUT)), st.builds(Go, st.just(GoKind.HAND_OVER), keys)]
    ways.append(st.builds(Go, st.just(GoKind.NOWHERE), st.just("") | nowhere))
    ways += [st.builds(Go, st.just(GoKind.STEP), st.sampled_from(step_keys))] if step_keys else []
    ways += [st.builds(Go, st.just(GoKind.CAUSE), st.sampled_from(cause_keys))] if cause_keys else []
    proofs = st.none() | st.sampled_from(Proof)
    ended = (proofs, texts, st.just("") | lines)
    outcomes = st.builds(Outcome, node_keys, lines, st.one_of(ways), st.none() | bands(), *ended)
    return Flow(
        procedure=draw(keys),
        title=draw(lines),
        system=draw(paths),
        start=draw(st.just("") | node_keys),
        steps=tuple(draw(steps(key, outcomes)) for key in step_keys),
        causes=tuple(draw(causes(key)) for key in cause_keys),
        values=draw(unique(st.one_of(asked, computed), 3)),
        symptoms=draw(some(keys)),
        codes=draw(some(st.from_regex("[PCBU][0-3][0-9A-F]{3}", fullmatch=True))),
        platforms=draw(some(paths)),
        circuit=draw(st.none() | circuits()),
        summary=draw(texts),
        verify=draw(texts),
    )


def causes(key: str) -> st.SearchStrategy[Cause]:
    return st.builds(
        Cause,
        st.just(key),
        paths,
        lines,
        st.sampled_from(Usual),
        texts,
        some_minutes,
        some_minutes,
        texts,
        st.none() | shares,
        st.none() | faults,
    )


def steps(key: str, outcomes: st.SearchStrategy[Outcome]) -> st.SearchStrategy[Step]:
    return st.builds(
        Step,
        st.just(key),
        lines,
        st.sampled_from(TestKind),
        unique(outcomes, 3),
        at=st.just("") | paths,
        access=st.just("") | keys,
        minutes=some_minutes,
        instruction=texts,
        tools=some(lines),
        needs=some(node_keys),
        cautions=some(keys),
        isolates=some(lines),
        trials=st.none() | st.builds(Quantity, st.integers(1, 200).map(Decimal), st.just("times")),
        picture=st.just("") | lines,
        reading=st.none() | readings,
        state=some(settings_of_switches),
        leads=some(joins),
    )


thorough = settings(max_examples=examples(80))


@thorough
@given(flows())
def test_reading_what_was_written_gives_the_same_flow_and_bytes(flow: Flow) -> None:
    text = write_flow(flow)
    read = read_flow(text.encode("utf-8"))
    assert [finding.text() for finding in read.findings] == []
    assert read.flow == flow
    assert write_flow(read.flow) == text


def as_texts(part: Any) -> Any:
    """The tree with plain texts only, numbers and truth values as another loader types them."""
    if isinstance(part, dict):
        return {str(key): as_texts(value) for key, value in part.items()}
    if isinstance(part, list):
        return [as_texts(item) for item in part]
    return str(part)


def typed_alike(ours: Any, theirs: Any) -> bool:
    if isinstance(theirs, dict):
        return list(ours) == list(theirs) and all(typed_alike(ours[key], theirs[key]) for key in theirs)
    if isinstance(theirs, list):
        return len(ours) == len(theirs) and all(map(typed_alike, ours, theirs))
    if isinstance(theirs, bool):
        return ours == str(theirs).lower()
    if isinstance(theirs, (int, float)):
        return Decimal(ours) == Decimal(repr(theirs))
    return ours == theirs


@pytest.mark.parametrize("version", [(1, 1), (1, 2)])
@settings(max_examples=examples(30))
@given(flow=flows())
def test_any_loader_sees_the_same_texts(version: tuple[int, int], flow: Flow) -> None:
    yaml = YAML(typ="safe", pure=True)
    yaml.version = version
    assert typed_alike(as_texts(flow_tree(flow)), yaml.load(write_flow(flow)))


@pytest.mark.parametrize("text", [text for text in HOSTILE if text.strip()])
def test_a_hostile_text_stays_what_it_is_wherever_it_stands(text: str) -> None:
    wide = Flow("a", "A", "a", "", (), summary=text, verify=text)
    assert read_flow(write_flow(wide)).flow == wide


@pytest.mark.parametrize("file", VALID, ids=lambda file: file.stem)
def test_files_come_back_with_the_same_flow(file: Path) -> None:
    flow = read_flow(file.read_bytes()).flow
    assert flow is not None
    text = write_flow(flow)
    assert read_flow(text).flow == flow
    assert write_flow(flow) == text


def test_a_procedure_is_written_to_be_read_by_people() -> None:
    flow = read_flow(
        "procedure: a\ntitle: Horn stays silent\nsystem: body/horn\nstart: press\nsummary: |\n  One\n\n  two\n"
        "causes:\n  open: {component: body/horn/horn, mode: open circuit, usual: common, minutes: 15, price: 28.50}\n"
        "steps:\n  press:\n    title: Press the button, then listen\n    test: measure\n    minutes: 2.0\n"
        "    tools: ['test lamp, 12 V']\n    reading: {unit: ohms, quantity: resistance}\n"
        "    outcomes:\n      'no': {band: '<1kohm', label: Nothing, go: open, proof: measured}\n"
        "      silent: {label: Silent, note: 'Ask: when?', go: out, band: '>=1 kohm'}\n"
    ).flow
    assert flow is not None
    assert write_flow(flow) == (
        "procedure: a\n"
        "title: Horn stays silent\n"
        "system: body/horn\n"
        "summary: |\n"
        "  One\n"
        "\n"
        "  two\n"
        "causes:\n"
        "  open: {component: body/horn/horn, mode: open circuit, usual: common, minutes: 15, price: 28.5}\n"
        "start: press\n"
        "steps:\n"
        "  press:\n"
        "    title: Press the button, then listen\n"
        "    test: measure\n"
        "    minutes: 2\n"
        '    tools: ["test lamp, 12 V"]\n'
        "    reading: {quantity: resistance, unit: ohm}\n"
        "    outcomes:\n"
        '      "no": {label: Nothing, band: "< 1 kohm", go: open, proof: measured}\n'
        '      silent: {label: Silent, band: ">= 1 kohm", go: out, note: "Ask: when?"}\n'
    )
