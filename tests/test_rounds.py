"""A long run can be ended and continued: what has passed adds up, what has not is not counted."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests import proof
from tests.rounds import Rounds


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(proof, "FIGURES", tmp_path / "kept.json")
    monkeypatch.setattr(proof, "PAPER", tmp_path / "paper.md")
    proof.PAPER.write_text(f"{proof.BEGIN}\nold\n{proof.END}\n")
    return tmp_path / "rounds"


def test_figures_of_rounds_add_up_over_runs(place: Path) -> None:
    first = Rounds("kills", 100, place=place)
    first.add("sqlite", ["| kill -9 of the server survived | sqlite | 25 |", "| seconds waited | sqlite | 1.5 |"])
    again = Rounds("kills", 100, place=place)
    again.add("sqlite", ["| kill -9 of the server survived | sqlite | 30 |", "| seconds waited | sqlite | 0.5 |"])
    again.add("postgresql", ["| kill -9 of the server survived | postgresql | 5 |"])
    held = Rounds("kills", 100, place=place)
    assert held.counted("kill -9") == 60
    assert (held.counted("kill -9", "sqlite"), held.counted("kill -9", "postgresql")) == (55, 5)
    assert held.done == {"sqlite": 2, "postgresql": 1}
    assert "| seconds waited | sqlite | 0.5 |" in held.lines
    assert "kill -9 of the server survived: 5 (postgresql), 55 (sqlite)" in proof.PAPER.read_text()


def test_a_run_that_is_over_or_begun_anew_counts_from_nothing(place: Path) -> None:
    first = Rounds("kills", 100, place=place)
    first.add("sqlite", ["| kill -9 | sqlite | 25 |"])
    assert Rounds("kills", 100, anew=True, place=place).counted("kill") == 0
    first.over()
    assert Rounds("kills", 100, place=place).counted("kill") == 0
