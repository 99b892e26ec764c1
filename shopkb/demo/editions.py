"""The procedures of ``flows/`` put in force, and the editions that were in force before some of them.

So the demo shows a procedure that was improved, and one that could be.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Role
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.model import Flow
from shopkb.demo.kinds import read_kinds
from shopkb.demo.truth import Edition, Truth
from shopkb.procedures.exchange import CheckedFile, check_files, flow_files, store
from shopkb.procedures.models import Revision
from shopkb.procedures.publishing import ActionRefused


class WorldError(Exception):
    """The files of the demo do not fit together."""


@dataclass(eq=False)
class Shelf:
    """The procedures of ``flows/``, and the editions that were in force before some of them."""

    files: Mapping[str, CheckedFile]
    editions: Mapping[str, tuple[Edition, CheckedFile]]
    people: Mapping[str, User]

    @classmethod
    def read(cls, root: Path, truth: Truth, people: Mapping[str, User]) -> Shelf:
        """All files, checked together so that they may hand over to each other.

        Raises:
            WorldError: a file is faulty.
        """
        before = {edition_path(root, spec): spec for spec in truth.editions}
        checked = check_files([*flow_files([root / "flows"]), *before], read_kinds(root).fitted)
        faulty = [finding.text(file.path.name) for file in checked for finding in file.errors or ()]
        faulty += [f"{file.path.name} cannot be read." for file in checked if file.flow is None]
        if faulty:
            raise WorldError(" ".join(faulty))
        files = {_flow(file).procedure: file for file in checked if file.path not in before}
        editions = {spec.key: (spec, file) for file in checked if (spec := before.get(file.path))}
        return cls(files, editions, people)

    @property
    def flows(self) -> dict[str, Flow]:
        return {key: _flow(file) for key, file in self.files.items()}

    @property
    def earlier(self) -> dict[str, tuple[Flow, float]]:
        """Editions that were superseded within the period, and when, as a share of it."""
        return {key: (_flow(file), spec.until) for key, (spec, file) in self.editions.items() if spec.until < 1}

    @property
    def not_in_force(self) -> dict[str, Flow]:
        """As :func:`not_in_force`, without reading the files again."""
        return {key: _flow(file) if spec.until < 1 else self.flows[key] for key, (spec, file) in self.editions.items()}

    @transaction.atomic
    def put_in_force(self, at: datetime) -> str:
        """The first writer wrote them, the second reviewed and put them in force."""
        stored = self._store(
            {**self.files, **{key: file for key, (_said, file) in self.editions.items()}}, at, "First edition."
        )
        return f"{len(stored)} procedures in force: {', '.join(stored)}."

    def follow_up(self, key: str, at: datetime) -> str:
        """Put the newer edition in force; empty if it is already."""
        spec, _file = self.editions[key]
        if Revision.objects.filter(procedure__key=key).count() > 1:
            return ""
        self._store({key: self.files[key]}, at, spec.why)
        return f"A new edition of {key} in force."

    def draft(self, at: datetime) -> Iterator[str]:
        """Newer editions that only stand as drafts yet."""
        for key, (spec, _file) in self.editions.items():
            if spec.until >= 1:
                self._store({key: self.files[key]}, at, spec.why, publish=False)
                yield f"A draft of {key} that waits to be tried."

    def _store(self, files: Mapping[str, CheckedFile], at: datetime, why: str, *, publish: bool = True) -> list[str]:
        writers = with_role(self.people, Role.WRITER)
        second = writers[-1] if publish else None
        try:
            stored = store(files.values(), by=writers[0], at=at, why=why, publish_by=second)
        except ActionRefused as error:
            raise WorldError(str(error)) from error
        return sorted(row.key for row in stored)


def edition_path(root: Path, spec: Edition) -> Path:
    return root / "fixtures" / "demo" / "editions" / f"{spec.key}.yaml"


def earlier_flows(truth: Truth, others: Mapping[str, Flow]) -> dict[str, tuple[Flow, float]]:
    """Of the editions not in force, those that were superseded within the period, and when, as a share of it."""
    return {spec.key: (others[spec.key], spec.until) for spec in truth.editions if spec.until < 1}


def not_in_force(root: Path, truth: Truth) -> dict[str, Flow]:
    """Editions that the truth speaks of as well, though they are in force no more, or not yet.

    Raises:
        WorldError: a file cannot be read.
    """
    fitted = read_kinds(root).fitted
    return {
        spec.key: fitted(read_file(edition_path(root, spec) if spec.until < 1 else root / "flows" / f"{spec.key}.yaml"))
        for spec in truth.editions
    }


def read_file(path: Path) -> Flow:
    flow = read_flow(path.read_bytes()).flow if path.exists() else None
    if flow is None:
        raise WorldError(f"{path.name} in {path.parent.name} cannot be read.")
    return flow


def with_role(people: Mapping[str, User], role: Role) -> list[User]:
    found = [person for person in people.values() if person.role == role]
    if not found:
        raise WorldError(f"fixtures/demo/people.yaml names nobody with the role {role.value}.")
    return found


def _flow(file: CheckedFile) -> Flow:
    if file.flow is None:
        raise WorldError(f"{file.path.name} cannot be read.")
    return file.flow
