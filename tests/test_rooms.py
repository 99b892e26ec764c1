"""The rooms of the house and who may import whom: the contracts stand in pyproject.toml."""

from __future__ import annotations

import os
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


SLOW = ("scipy.stats", "scipy.optimize", "weasyprint", "pandas", "sklearn")
"""Half a second each or more; a command that stops at a wrong option should not wait for them."""


def test_nothing_slow_is_imported_at_the_start() -> None:
    script = (
        "import django, sys; django.setup(); import shopkb.urls; from django.urls import get_resolver; "
        f"get_resolver().url_patterns; print([name for name in {SLOW!r} if name in sys.modules])"
    )
    environment = {**os.environ, "DJANGO_SETTINGS_MODULE": "shopkb.settings"}
    command = [sys.executable, "-c", script]
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr
