"""The versions that `.ci/run` installs are pinned, every one with hashes, and name no place of their own."""

from __future__ import annotations

import re
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.conftest import ROOT

pytestmark = pytest.mark.one_database

LOCKS = ("requirements.txt", "audit.txt")
PIN = re.compile(r"^([a-z0-9][a-z0-9._-]*)(?:\[[a-z,]+\])?==([^\s;\\]+)", re.MULTILINE | re.IGNORECASE)


def text_of(lock: str) -> str:
    return (ROOT / ".ci" / lock).read_text(encoding="utf-8")


def pinned(lock: str) -> dict[str, str]:
    return {canonicalize_name(name): version for name, version in PIN.findall(text_of(lock))}


def test_what_the_project_asks_for_is_pinned_within_its_ranges() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    asked = [
        *project["project"]["dependencies"],
        *project["project"]["optional-dependencies"]["test"],
        *project["build-system"]["requires"],
    ]
    versions = pinned("requirements.txt")
    for line in asked:
        wanted = Requirement(line)
        version = versions.get(canonicalize_name(wanted.name))
        assert version, f"{wanted.name} is not in the lock: run .ci/lock"
        assert version in wanted.specifier, f"{wanted.name} {version} is outside {wanted.specifier}: run .ci/lock"


@pytest.mark.parametrize("lock", LOCKS)
def test_every_pin_has_hashes_and_nothing_names_a_place(lock: str) -> None:
    entries = re.split(r"\n(?=[a-z0-9])", text_of(lock), flags=re.IGNORECASE)
    unhashed = [entry.splitlines()[0] for entry in entries[1:] if "--hash=sha256:" not in entry]
    assert unhashed == []
    assert len(entries) - 1 == len(pinned(lock))
    outside = [line for line in text_of(lock).splitlines() if re.search(r"://|^-|\bindex\b|trusted", line.strip(" \\"))]
    assert [line for line in outside if "--hash=" not in line] == []
