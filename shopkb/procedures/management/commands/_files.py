"""What the commands on procedure files share: the places they take, and how findings are told."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError
from django.db import connection

from shopkb.procedures.exchange import CheckedFile, check_files, flow_files
from shopkb.procedures.models import Procedure


def add_places(parser: ArgumentParser) -> None:
    parser.add_argument("places", nargs="+", type=Path, help="Procedure files, or folders of them.")
    parser.add_argument("--json", action="store_true", help="Tell the outcome as JSON on standard output.")


def checked(places: list[Path]) -> list[CheckedFile]:
    """Read and check.

    Raises:
        CommandError: a plain sentence, exit code 2: no file, one that cannot be opened, or a database without tables.
    """
    if Procedure._meta.db_table not in connection.introspection.table_names():
        raise CommandError("The database has no tables yet. Run manage.py migrate first.", returncode=2)
    paths = list(flow_files(places))
    if not paths:
        raise CommandError(f"No .yaml file in {', '.join(str(place) for place in places)}.", returncode=2)
    try:
        return check_files(paths)
    except OSError as error:
        raise CommandError(f"{error.filename}: {error.strerror}.", returncode=2) from error


def as_data(files: list[CheckedFile]) -> list[dict[str, Any]]:
    return [
        {
            "file": str(file.path),
            "procedure": file.flow.procedure if file.flow else None,
            "findings": [finding.as_json() for finding in file.findings],
        }
        for file in files
    ]


def lines(files: list[CheckedFile]) -> list[str]:
    return [finding.text(str(file.path)) for file in files for finding in file.findings]


def dumped(data: object) -> str:
    return json.dumps(data, indent=2, ensure_ascii=False)
