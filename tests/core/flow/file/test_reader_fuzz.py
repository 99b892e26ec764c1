"""Ten thousand damaged procedure files: nothing is ever raised, and a flow comes out exactly when there is no error."""

from __future__ import annotations

import random
import re
from collections.abc import Callable

import pytest

from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.file.reader import read_flow, with_lines
from shopkb.core.flow.file.writer import write_flow
from tests.core.flow.builders import CATALOG
from tests.core.flow.snapshots import VALID

ROUNDS, BATCHES = 10_000, 10

SMALL = b"""procedure: horn
title: Horn stays silent
system: body/horn
values: {battery: {ask: Battery, unit: V, from: 9 V, to: 16 V}, drop: {compute: joint-drop, total: battery}}
causes:
  open: {component: body/horn/horn, mode: open circuit, minutes: 15, price: 28.5}
start: supply
steps:
  supply:
    title: Voltage at the connector
    test: measure
    at: body/horn/horn
    cautions: [probe-terminals]
    reading: {quantity: voltage, unit: V, between: [supply pin, ground], loaded: true}
    instruction: |
      Press the button.
    outcomes:
      full: {label: Full, band: ">= battery - drop * 1.3", go: open, proof: measured}
      "no": {label: None, band: "< battery - drop * 1.3", go: out}
"""
TOKENS = re.compile(rb"[\w.-]+|\s+|[^\w\s]")
BITS = [
    b":", b": ", b"- ", b"#", b"'", b'"', b"[", b"]", b"{", b"}", b",", b"|", b">", b"&a ", b"*a", b"!x ", b"%", b"\t",
    b"\n", b"  ", b"\\", b"\\x", b"\\ud800", b"\x00", b"\xff", b"\xc3", b"\xf0\x9f\x98\x80",
    b"?", b"? ", b"---\n",
    b"...\n", b"<<", b"no", b"~", b"1e999", b"9" * 50, b"-1", b"0x1F", b"1 V .. ", b"< 1 ohm", b"out", b"hand-over ",
    b"supply", b"steps", b"label", b"over-limit", b"\xe2\x80\xa8", b"\r", b"\xef\xbb\xbf", b"null", b"yes",
]  # fmt: skip

Mutation = Callable[[random.Random, bytes], bytes]


def cut(dice: random.Random, data: bytes) -> bytes:
    start = dice.randrange(len(data) + 1)
    return data[:start] + data[start + dice.randrange(1, 20) :]


def flip(dice: random.Random, data: bytes) -> bytes:
    place = dice.randrange(len(data)) if data else 0
    return data[:place] + bytes([dice.randrange(256)]) + data[place + 1 :]


def put(dice: random.Random, data: bytes) -> bytes:
    place = dice.randrange(len(data) + 1)
    return data[:place] + dice.choice(BITS) + data[place:]


def swap_tokens(dice: random.Random, data: bytes) -> bytes:
    tokens = TOKENS.findall(data)
    if len(tokens) > 1:
        one, other = dice.randrange(len(tokens)), dice.randrange(len(tokens))
        tokens[one], tokens[other] = tokens[other], tokens[one]
    return b"".join(tokens)


def replace_token(dice: random.Random, data: bytes) -> bytes:
    tokens = TOKENS.findall(data)
    if tokens:
        tokens[dice.randrange(len(tokens))] = dice.choice([*BITS, dice.choice(tokens)])
    return b"".join(tokens)


def move_line(dice: random.Random, data: bytes) -> bytes:
    lines = data.splitlines(keepends=True)
    if lines:
        line = lines.pop(dice.randrange(len(lines)))
        lines.insert(dice.randrange(len(lines) + 1), dice.choice([line, b"  " + line, line.lstrip(), line * 2]))
    return b"".join(lines)


MUTATIONS: tuple[Mutation, ...] = (cut, flip, put, swap_tokens, replace_token, move_line)


@pytest.mark.parametrize("batch", range(BATCHES))
def test_damaged_files_never_raise(batch: int) -> None:
    dice = random.Random(batch)
    sources = [SMALL] * 6 + [file.read_bytes() for file in VALID if file.stem != "horn-silent"]
    sound = 0
    for _ in range(ROUNDS // BATCHES):
        data = dice.choice(sources)
        for _ in range(dice.choice([1, 1, 2, 3, 6])):
            data = dice.choice(MUTATIONS)(dice, data)
        read = read_flow(data)
        assert (read.flow is None) == bool(read.findings), data
        assert all(finding.is_error and finding.message and finding.hint for finding in read.findings), data
        if read.flow is not None:
            sound += 1
            for finding in with_lines(check_flow(read.flow, CATALOG), read.lines):
                finding.text().encode("utf-8")
            assert read_flow(write_flow(read.flow)).flow == read.flow, data
        for finding in read.findings:
            finding.text("file").encode("utf-8")
    assert 50 < sound < ROUNDS // BATCHES  # the damage is neither hopeless nor harmless
