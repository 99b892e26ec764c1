from __future__ import annotations

import json

import pytest

from shopkb.core.flow.findings import CheckFinding, Level

GAP = CheckFinding("band-gap", Level.ERROR, "steps.supply", "There is a gap.", "Close it.", 12, "supply")


@pytest.mark.parametrize(
    ("finding", "file", "text"),
    [
        (GAP, "horn.yaml", "horn.yaml:12: error band-gap at steps.supply: There is a gap. Close it."),
        (GAP, "", "line 12: error band-gap at steps.supply: There is a gap. Close it."),
        (CheckFinding("loop", Level.WARNING, "", "A loop", ""), "", "warning loop: A loop."),
        (CheckFinding("loop", Level.WARNING, "", "A loop", "Cut it."), "f", "f: warning loop: A loop. Cut it."),
    ],
)
def test_text_is_one_line(finding: CheckFinding, file: str, text: str) -> None:
    assert finding.text(file) == text


def test_json_holds_every_field() -> None:
    assert json.loads(json.dumps(GAP.as_json())) == {
        "id": "band-gap",
        "level": "error",
        "where": "steps.supply",
        "message": "There is a gap.",
        "hint": "Close it.",
        "line": 12,
        "step": "supply",
    }


def test_only_errors_are_errors() -> None:
    assert GAP.is_error
    assert not CheckFinding("loop", Level.WARNING, "", "", "").is_error
