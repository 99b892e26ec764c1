"""Stored findings beside the faulty files: ``python -m tests.core.flow.snapshots`` writes them anew, for review."""

from __future__ import annotations

from pathlib import Path

from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.file.reader import read_flow, with_lines
from tests.core.flow.builders import CATALOG, DATA

INVALID = sorted((DATA / "invalid").glob("*.yaml"))
VALID = sorted((DATA / "valid").glob("*.yaml"))


def findings_text(file: Path) -> str:
    """What reading a file finds or, when it can be read, what the checks find; one finding a line."""
    read = read_flow(file.read_bytes())
    findings = read.findings if read.flow is None else with_lines(check_flow(read.flow, CATALOG), read.lines)
    return "".join(f"{finding.text(file.name)}\n" for finding in findings)


if __name__ == "__main__":
    for each in INVALID:
        each.with_suffix(".txt").write_text(findings_text(each), encoding="utf-8")
