"""The rooms of the house and who may import whom: the contracts stand in pyproject.toml."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "manage.py",
    "pyproject.toml",
    "shopkb",
    "flows",
    "fixtures",
    "tests",
    ".ci",
    ".gitignore",
}
VAGUE = {"utils", "helpers", "common", "manager", "managers", "service", "services", "misc"}


def _tracked() -> list[str]:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return listed.stdout.splitlines()


def test_import_contracts_hold() -> None:
    command = Path(sys.executable).parent / "lint-imports"
    done = subprocess.run([str(command), "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_nothing_else_stands_at_the_top() -> None:
    assert {path.split("/")[0] for path in _tracked()} <= TOP


def test_no_module_has_a_vague_name() -> None:
    named = {Path(path).stem for path in _tracked() if path.endswith(".py")}
    assert not named & VAGUE
