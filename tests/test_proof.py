"""The table of faults and threats in DEVELOPERS.md is what the test runs wrote, and every test it names is there."""

from __future__ import annotations

from pathlib import Path

from tests import proof


def test_the_table_is_the_one_that_was_written() -> None:
    text = proof.PAPER.read_text(encoding="utf-8")
    assert proof.section(proof.read()) in text


def test_every_test_it_names_is_there() -> None:
    assert [test for row in proof.ROWS for test in row.tests if not (proof.ROOT / test).exists()] == []


def test_figures_are_noted_kept_and_shown(tmp_path: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setenv("SHOPKB_FIGURES", str(tmp_path / "figures"))
    monkeypatch.delenv("DATABASE_URL", raising=False)
    monkeypatch.setattr(proof, "FIGURES", tmp_path / "kept.json")
    monkeypatch.setattr(proof, "PAPER", tmp_path / "paper.md")
    proof.PAPER.write_text(f"Before.\n{proof.BEGIN}\nold\n{proof.END}\nAfter.\n")
    proof.note("kill -9 of the server survived", 7)
    proof.keep((tmp_path / "figures").read_text().splitlines())
    monkeypatch.setenv("DATABASE_URL", "postgresql://x")
    proof.note("kill -9 of the server survived", 9)
    proof.keep((tmp_path / "figures").read_text().splitlines())
    text = proof.PAPER.read_text()
    assert "kill -9 of the server survived: 9 (postgresql), 7 (sqlite)" in text
    assert text.startswith("Before.\n") and text.endswith("\nAfter.\n") and "\nold\n" not in text
