"""Procedure files: sound ones are read, faulty ones are told about, each error with its line."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.file import yaml_tree
from shopkb.core.flow.file.reader import FINDING_LIMIT, read_flow, with_lines
from shopkb.core.flow.file.scalars import unwanted_character
from shopkb.core.flow.findings import CheckFinding, Level
from shopkb.core.flow.model import Go, GoKind, Proof, TestKind, Usual
from tests.core.flow.builders import CATALOG, DATA
from tests.core.flow.snapshots import INVALID, VALID, findings_text

HEAD = "procedure: horn-silent\ntitle: Horn stays silent\nsystem: body/horn\n"


@pytest.mark.parametrize("file", VALID, ids=lambda file: file.stem)
def test_valid_files_have_no_errors(file: Path) -> None:
    read = read_flow(file.read_bytes())
    assert read.findings == ()
    assert read.flow is not None
    assert [finding.text() for finding in check_flow(read.flow, CATALOG) if finding.is_error] == []


@pytest.mark.parametrize("file", INVALID, ids=lambda file: file.stem)
def test_invalid_files_are_told_about_as_stored(file: Path) -> None:
    assert findings_text(file) == file.with_suffix(".txt").read_text(encoding="utf-8") != ""


def test_every_stored_text_has_its_file() -> None:
    texts = {file.stem for file in (DATA / "invalid").glob("*.txt")}
    assert texts == {file.stem for file in INVALID}


def test_the_words_of_the_libraries_never_show() -> None:
    told = "".join(findings_text(file) for file in INVALID)
    for theirs in ("pydantic", "http", "Input should", "while parsing", "while scanning", "ScalarNode", "Traceback"):
        assert theirs not in told


def test_the_horn_procedure_becomes_a_flow() -> None:
    flow = read_flow((DATA / "valid" / "horn-silent.yaml").read_bytes()).flow
    assert flow is not None
    assert [step.key for step in flow.steps] == ["press", "supply", "ground", "direct", "terminals"]
    press, supply = flow.steps[:2]
    assert [outcome.go for outcome in press.outcomes] == [
        Go(GoKind.OUT),
        Go(GoKind.STEP, "supply"),
        Go(GoKind.HAND_OVER, "horn-control"),
    ]
    assert supply.test is TestKind.MEASURE
    assert supply.reading is not None
    assert supply.reading.between == ("supply pin", "battery negative")
    assert supply.reading.loaded
    assert supply.outcome("weak").proof is Proof.MEASURED
    assert supply.outcome("weak").go == Go(GoKind.CAUSE, "relay-contacts")
    assert flow.cause_by_key["horn-open"].price == 28.5
    assert flow.cause_by_key["horn-ground"].usual is Usual.OCCASIONAL
    assert press.instruction.endswith("never for the contacts.\n")


@pytest.mark.parametrize(
    "text", ["no", "yes", "on", "off", "true", "~", "null", "1:30", "010", "0x1F", "1_000", "2026-01-05", ".5", "1e3"]
)
def test_texts_that_yaml_could_take_for_something_else_stay_texts(text: str) -> None:
    flow = read_flow(HEAD + f"steps:\n  ask:\n    title: {text}\n    test: question\n    tools: [{text}]\n").flow
    assert flow is not None
    assert flow.steps[0].title == text
    assert flow.steps[0].tools == (text,)


@pytest.mark.parametrize("key", ["no", "yes", "on", "off", "true", "null", "y", "n"])
def test_outcome_keys_stay_texts(key: str) -> None:
    flow = read_flow(HEAD + f"steps: {{ask: {{title: A, test: look, outcomes: {{{key}: {{label: B}}}}}}}}\n").flow
    assert flow is not None
    assert flow.steps[0].outcomes[0].key == key


def test_a_field_with_nothing_behind_it_counts_as_left_out() -> None:
    flow = read_flow(HEAD + "codes:\nplatforms:\nsummary:\nvalues:\nsteps:\n").flow
    assert flow is not None
    assert flow == read_flow(HEAD).flow
    assert flow.platforms == ("any",)


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_line_ends_of_any_system_are_read(ends: str) -> None:
    text = HEAD + "summary: |\n  One\n  two\n"
    flow = read_flow(text.replace("\n", ends).encode()).flow
    assert flow is not None
    assert flow.summary == "One\ntwo\n"


def test_a_byte_order_mark_is_no_part_of_the_text() -> None:
    assert read_flow(b"\xef\xbb\xbf" + HEAD.encode()).flow == read_flow(HEAD).flow


def test_files_over_one_mebibyte_are_refused() -> None:
    filler = "#" * (1024 * 1024 - len(HEAD) - 1)
    assert read_flow(f"{HEAD}{filler}\n").flow is not None
    (finding,) = read_flow(f"{HEAD}#{filler}\n".encode()).findings
    assert finding.text("f") == (
        "f: error file-too-large: The file has 1048577 bytes. A procedure file has at most 1048576 (1 MiB);"
        " split the procedure, or remove what is not text."
    )


def test_more_than_two_hundred_steps_are_refused() -> None:
    steps = "".join(f"  s{n}: {{title: Step, test: look}}\n" for n in range(201))
    (finding,) = read_flow(f"{HEAD}steps:\n{steps}").findings
    assert finding.text("f") == (
        "f:4: error field-too-many at steps: There are 201 entries, at most 200 are possible."
        " Split the procedure and hand over."
    )


def test_a_file_with_too_many_parts_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(yaml_tree, "PART_LIMIT", 100)
    assert read_flow("procedure: [" + "x," * 97 + "]").findings[0].id != "file-too-much"
    (finding,) = read_flow("procedure: [" + "x," * 98 + "]").findings
    assert finding.text() == "line 1: error file-too-much: The file has more than 100 parts. Split the procedure."


@pytest.mark.parametrize(
    ("text", "where"),
    [
        (HEAD + "".join(f"wrong{n}: x\n" for n in range(15_000)), ""),
        (HEAD + "wrong: x\n" * 15_000, ""),
        (f"{HEAD}symptoms: [{'x, ' * 15_000}]\n", "symptoms"),
        (HEAD + "steps:\n" + "".join(f"  s{n}: {{title: a}}\n" for n in range(15_000)), "steps"),
    ],
)
def test_reading_stops_at_a_group_that_no_procedure_has(text: str, where: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Thousands of unknown fields took ten seconds to be told one by one."""
    read = 0
    events = yaml_tree._events

    def counted(text: str) -> Iterator[object]:
        nonlocal read
        for event in events(text):
            read += 1
            yield event

    monkeypatch.setattr(yaml_tree, "_events", counted)
    (finding,) = read_flow(text).findings
    assert (finding.id, finding.where) == ("file-too-much", where)
    assert finding.message == "More than 1000 fields or entries stand in one group or list here"
    assert read < 6000


def test_errors_beyond_the_limit_are_counted() -> None:
    read = read_flow(HEAD + "".join(f"wrong{n}: x\n" for n in range(300)))
    assert len(read.findings) == FINDING_LIMIT + 1
    assert read.findings[-1].text() == "error file-more: 100 more errors are not listed. Mend those above first."


def test_lone_surrogates_in_a_text_are_refused() -> None:
    (finding,) = read_flow("procedure: \ud800").findings
    assert finding.text() == (
        "line 1: error file-character: The file holds a character that no text should, U+D800."
        " Remove it, and save the file as plain text."
    )


@pytest.mark.parametrize("start", ["[", "{a: ", "- ", "? ", "&a ", "! ", '"a":', "%a\n", "a:\n ", "'", "| ", "*"])
def test_long_runs_of_one_sign_end_in_a_finding(start: str) -> None:
    read = read_flow(start * 20_000)
    assert read.flow is None
    assert read.findings


def test_check_findings_get_the_line_of_the_nearest_field() -> None:
    lines = read_flow(HEAD + "steps:\n  ask:\n    title: Ask\n    test: look\n").lines
    found = [
        CheckFinding("x", Level.ERROR, where, "", "")
        for where in ("steps.ask.title", "steps.ask.outcomes.a.go", "steps.no", "", "codes")
    ]
    assert [finding.line for finding in with_lines(found, lines)] == [6, 5, 4, None, None]


@pytest.mark.parametrize("letter", ["\x00", "\x07", "\x1b", "\x7f", "\x85", "\ud800", "\udfff", "\ufffe", "\uffff"])
def test_characters_that_no_text_may_hold(letter: str) -> None:
    assert unwanted_character(f"a{letter}") is not None


@pytest.mark.parametrize("letter", ["\t", "\n", "\r", " ", "\xa0", "é", "\u2028", "\u202e", "\U0001f600"])
def test_characters_that_a_text_may_hold(letter: str) -> None:
    assert unwanted_character(f"a{letter}") is None
