"""Which files are mutated, and which tests each of them must answer to."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from tests.proof import ROOT

MUTATED = (
    "shopkb/jobs/actions/*.py", "shopkb/jobs/log/*.py", "shopkb/jobs/bounds.py", "shopkb/jobs/dangers.py",
    "shopkb/jobs/idempotence.py", "shopkb/jobs/views/kept_forms.py", "shopkb/jobs/views/outbox.py",
    "shopkb/accounts/*.py", "shopkb/upkeep/*.py", "shopkb/procedures/publishing.py", "shopkb/procedures/exchange.py",
    "shopkb/procedures/safety_words.py", "shopkb/procedures/storing.py", "shopkb/core/readings/*.py",
)  # fmt: skip
"""The doors, what guards them, and what judges a reading."""

TESTS = {
    "shopkb/jobs/": ("tests/jobs", "tests/upkeep/test_chains.py", "tests/upkeep/test_append_only.py"),
    "shopkb/accounts/": ("tests/accounts", "tests/upkeep/test_audit.py"),
    "shopkb/upkeep/": ("tests/upkeep", "tests/hosting/test_encrypted_copies.py"),
    "shopkb/procedures/": ("tests/procedures", "tests/catalog/test_admin.py"),
    "shopkb/core/readings/": ("tests/core/readings",),
}
SLOW = {"test_migrations.py", "test_matching_held_out.py", "test_paper.py", "test_law_six.py", "test_positions.py"}
"""Files that take long and look at other things; a mutant that only they would see counts as surviving."""

WHILE_MADE = {"shopkb/upkeep/apps.py", "shopkb/jobs/log/append_only.py"}
"""Files at work while a database is made: their mutants get a new one, all others a copy of one made beforehand."""

NEAREST = 6
"""Files of tests that a mutant is given to; one that only farther ones would see counts as surviving."""


def mutated() -> list[str]:
    """Paths below the root, in order."""
    found = {path.relative_to(ROOT).as_posix() for pattern in MUTATED for path in ROOT.glob(pattern)}
    return sorted(path for path in found if (ROOT / path).stat().st_size > 200)


def tests_for(path: str, root: Path = ROOT) -> list[str]:
    """Files of tests for a mutated file: those that speak of it most come first, as the first failure ends a run."""
    places = next(places for room, places in TESTS.items() if path.startswith(room))
    files = [
        file
        for place in places
        for file in (sorted((root / place).rglob("test_*.py")) if (root / place).is_dir() else [root / place])
        if file.name not in SLOW
    ]
    stem = Path(path).stem
    named = re.compile(rf"\b{stem}\b")
    public = re.findall(r"^(?:def|class) ([a-zA-Z]\w+)", (root / path).read_text(encoding="utf-8"), re.MULTILINE)
    words = re.compile(r"\b(" + "|".join([stem, *public]) + r")\b")

    def nearness(file: Path) -> tuple[bool, int]:
        text = file.read_text(encoding="utf-8")
        return bool(named.search(file.stem)), len(words.findall(text))

    return [file.relative_to(root).as_posix() for file in sorted(files, key=nearness, reverse=True)[:NEAREST]]


def operations(path: Path) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Where values are computed by an operator (line, column, to line, column): elsewhere a ``*`` stands for arguments
    that go by name alone, and changing that changes nothing."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [
        ((node.lineno, node.col_offset), (node.end_lineno or node.lineno, node.end_col_offset or node.col_offset))
        for node in ast.walk(tree)
        if isinstance(node, ast.BinOp | ast.AugAssign)
    ]


def annotated(path: Path) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Where annotations begin and end (line, column): nobody evaluates them, so changing them changes nothing."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: list[ast.expr] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            arguments = [
                *node.args.posonlyargs,
                *node.args.args,
                *node.args.kwonlyargs,
                node.args.vararg,
                node.args.kwarg,
            ]
            found += [one.annotation for one in arguments if one is not None and one.annotation is not None]
            found += [node.returns] if node.returns is not None else []
        elif isinstance(node, ast.AnnAssign):
            found.append(node.annotation)
    return [
        ((one.lineno, one.col_offset), (one.end_lineno or one.lineno, one.end_col_offset or one.col_offset))
        for one in found
    ]
