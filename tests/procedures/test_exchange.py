"""Procedure files in and out: nothing is lost, nothing is stored unless all is right, and the commands say so."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from shopkb.accounts.models import User
from shopkb.core.flow.file.schema import json_schema
from shopkb.core.flow.file.writer import write_flow
from shopkb.procedures import exchange, publishing
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from tests.builders import CONTROL_TEXT, HORN_TEXT, flow_from
from tests.conftest import FLOWS, NOW
from tests.shelf import SHELF

VALID = Path(__file__).parents[1] / "data" / "valid"
FILES = sorted([*FLOWS.glob("*.yaml"), *VALID.glob("*.yaml")])
FAULTY = HORN_TEXT.replace("horn-silent]", "horn-mute]").replace("at: body/horn/earth", "at: body/horn/soil")


@pytest.fixture
def folder(yard: None, tmp_path: Path) -> Path:
    """Two files that hand over to each other."""
    place = tmp_path / "flows"
    place.mkdir()
    (place / "horn-control.yaml").write_text(CONTROL_TEXT, encoding="utf-8")
    (place / "horn-silent.yaml").write_text(HORN_TEXT, encoding="utf-8")
    return place


def run(command: str, *args: object, **options: Any) -> tuple[str, int]:
    """What the command printed, and its exit code as ``manage.py`` would give it."""
    out = io.StringIO()
    try:
        call_command(command, *map(str, args), stdout=out, stderr=io.StringIO(), **options)
    except SystemExit as end:
        return out.getvalue(), int(str(end.code or 0))
    except CommandError as error:
        return f"{out.getvalue()}{error}", error.returncode
    return out.getvalue(), 0


# Round trips


def test_export_of_import_is_the_same_flow_and_then_the_same_bytes(catalog: None, senior: User) -> None:
    """Every file, through the rows: file, rows, file, rows, file."""
    for file in FILES:
        flow = flow_from(file.read_text(encoding="utf-8"))
        revision = publishing.start_draft(flow, by=senior, at=NOW)
        text = write_flow(flow_of(revision))
        assert flow_from(text) == flow, file.name
        publishing.save_draft(revision, flow_from(text), by=senior, based_on=revision.checksum)
        revision.refresh_from_db()
        assert write_flow(flow_of(revision)) == text, file.name
        publishing.withdraw(revision, by=senior, at=NOW, why="Room for the next file of this name.")


def test_the_shelf_comes_out_as_it_went_in(shelf: dict[str, Procedure], senior: User, tmp_path: Path) -> None:
    out, code = run("export_flows", tmp_path)
    assert code == 0
    written = sorted(tmp_path.glob("*.yaml"))
    assert [path.name for path in written] == sorted(path.name for path in FLOWS.glob("*.yaml"))
    for path in written:
        assert flow_from(path.read_text(encoding="utf-8")) == SHELF[path.stem]
    again, _code = run("export_flows", tmp_path)
    assert {line.rpartition(": ")[2] for line in again.splitlines()} == {"unchanged"}
    assert {line.rpartition(": ")[2] for line in out.splitlines()} == {"written"}
    told, code = run("import_flows", tmp_path, author="senior")
    assert (told.splitlines()[-1], code) == (f"{len(written)} files.", 0)
    assert Revision.objects.count() == len(written)


# Storing


def test_drafts_then_in_force_then_unchanged(folder: Path, senior: User, second: User) -> None:
    def stored(**more: Any) -> list[tuple[str, int, str]]:
        checked = exchange.check_files(exchange.flow_files([folder]))
        return [(row.key, row.number, row.became) for row in exchange.store(checked, by=senior, at=NOW, **more)]

    assert stored() == [("horn-control", 1, "draft"), ("horn-silent", 1, "draft")]
    assert stored() == [("horn-control", 1, "unchanged"), ("horn-silent", 1, "unchanged")]
    assert stored(publish_by=second) == [("horn-control", 1, "published"), ("horn-silent", 1, "published")]
    assert stored(publish_by=second) == [("horn-control", 1, "unchanged"), ("horn-silent", 1, "unchanged")]
    changed = HORN_TEXT.replace("Press three times.", "Press four times.")
    (folder / "horn-silent.yaml").write_text(changed, encoding="utf-8")
    assert stored(publish_by=second, why="Four.") == [("horn-control", 1, "unchanged"), ("horn-silent", 2, "published")]
    assert Revision.objects.get(number=2).why == "Four."


def test_files_that_hand_over_to_each_other_come_in_together(folder: Path, senior: User, second: User) -> None:
    """Whatever their order, and also in a ring."""
    back = CONTROL_TEXT.replace("go: out, note: Look at the wire.", "go: hand-over horn-silent")
    (folder / "horn-control.yaml").rename(folder / "z.yaml")
    (folder / "z.yaml").write_text(back, encoding="utf-8")
    checked = exchange.check_files(exchange.flow_files([folder]))
    stored = exchange.store(checked, by=senior, at=NOW, publish_by=second)
    assert [(row.key, row.became) for row in stored] == [("horn-silent", "published"), ("horn-control", "published")]


def test_a_withdrawn_text_may_come_in_again(folder: Path, senior: User, second: User) -> None:
    checked = exchange.check_files(exchange.flow_files([folder]))
    exchange.store(checked, by=senior, at=NOW, publish_by=second)
    publishing.withdraw(Revision.objects.get(procedure__key="horn-silent"), by=second, at=NOW, why="Wrong.")
    assert [row.became for row in exchange.store(checked, by=senior, at=NOW)] == ["unchanged", "draft"]


def test_one_faulty_file_stores_none(folder: Path, senior: User) -> None:
    (folder / "horn-silent.yaml").write_text(FAULTY, encoding="utf-8")
    with pytest.raises(publishing.RefusedByChecks) as refused:
        exchange.store(exchange.check_files(exchange.flow_files([folder])), by=senior, at=NOW)
    assert {finding.id for finding in refused.value.findings} == {"symptom-unknown", "component-unknown"}
    assert not Procedure.objects.exists()


def test_a_file_that_cannot_be_read_stores_none(folder: Path, senior: User) -> None:
    (folder / "broken.yml").write_text("procedure: [", encoding="utf-8")
    with pytest.raises(publishing.RefusedByChecks):
        exchange.store(exchange.check_files(exchange.flow_files([folder])), by=senior, at=NOW)
    assert not Procedure.objects.exists()


def test_findings_carry_the_line_in_the_file(folder: Path) -> None:
    file = folder / "horn-silent.yaml"
    file.write_text(FAULTY, encoding="utf-8")
    (checked,) = exchange.check_files([file])
    lines = FAULTY.splitlines()
    for finding in checked.errors:
        assert finding.line is not None
        if finding.id == "procedure-unknown":
            assert "hand-over horn-control" in lines[finding.line - 1]
        else:
            assert "horn-mute" in lines[finding.line - 1] or "soil" in lines[finding.line - 1]
    assert len(checked.errors) == 3


def test_folders_are_searched_and_sorted(tmp_path: Path) -> None:
    for name in ("b.yml", "a.yaml", "notes.txt"):
        (tmp_path / name).write_text("", encoding="utf-8")
    (tmp_path / "more").mkdir()
    (tmp_path / "more" / "c.yaml").write_text("", encoding="utf-8")
    found = [path.name for path in exchange.flow_files([tmp_path, tmp_path / "notes.txt"])]
    assert found == ["a.yaml", "b.yml", "c.yaml", "notes.txt"]


# Commands


def test_import_tells_what_became_of_each_file(folder: Path, senior: User, second: User) -> None:
    told, code = run("import_flows", folder, author="senior", reviewer="second")
    assert code == 0
    assert told.splitlines() == [
        f"{folder / 'horn-control.yaml'}: horn-control, revision 1, published",
        f"{folder / 'horn-silent.yaml'}: horn-silent, revision 1, published",
        "2 files.",
    ]
    told, code = run("import_flows", folder, author="senior", json=True)
    assert (code, json.loads(told)) == (
        0,
        {
            "dry_run": False,
            "stored": [
                {"file": str(folder / f"{key}.yaml"), "procedure": key, "revision": 1, "became": "unchanged"}
                for key in ("horn-control", "horn-silent")
            ],
        },
    )


def test_a_dry_run_of_import_stores_nothing(folder: Path, senior: User, second: User) -> None:
    told, code = run("import_flows", folder, author="senior", reviewer="second", dry_run=True)
    assert (told.splitlines()[-1], code) == ("Nothing was stored: dry run.", 0)
    assert "horn-silent, revision 1, published" in told
    assert not Procedure.objects.exists()
    told, _code = run("import_flows", folder, author="senior", dry_run=True, json=True)
    assert [row["became"] for row in json.loads(told)["stored"]] == ["draft", "draft"]
    assert not Revision.objects.exists()


def test_import_names_every_error_and_stores_nothing(folder: Path, senior: User) -> None:
    (folder / "horn-silent.yaml").write_text(FAULTY, encoding="utf-8")
    told, code = run("import_flows", folder, author="senior")
    assert code == 1
    assert told.splitlines()[-1] == "Nothing was stored: mend the errors above first."
    assert told.count(f"{folder / 'horn-silent.yaml'}:") == 2
    told, code = run("import_flows", folder, author="senior", json=True)
    data = json.loads(told)
    assert (code, data["stored"]) == (1, [])
    assert [len(file["findings"]) for file in data["files"]] == [0, 2]
    assert not Procedure.objects.exists()


@pytest.mark.parametrize(
    ("author", "reviewer", "code", "said"),
    [
        ("nobody", None, 2, "There is no active person with the log-in 'nobody'."),
        ("senior", "nobody", 2, "There is no active person with the log-in 'nobody'."),
        ("senior", "senior", 1, "A second person must review and publish what you wrote."),
        (
            "junior",
            None,
            1,
            "Your role does not let you write procedures. These roles may: writer, keeper.",
        ),
        (
            "senior",
            "junior",
            1,
            "Your role does not let you review, publish and withdraw procedures. "
            "These roles may: writer, manager, keeper.",
        ),
    ],
)
def test_import_by_somebody_who_may_not(
    folder: Path, senior: User, junior: User, author: str, reviewer: str | None, code: int, said: str
) -> None:
    assert run("import_flows", folder, author=author, reviewer=reviewer) == (said, code)
    assert not Procedure.objects.exists()


@pytest.mark.parametrize("command", ["import_flows", "check_flows"])
def test_no_file_is_exit_two(yard: None, senior: User, tmp_path: Path, command: str) -> None:
    options = {"author": "senior"} if command == "import_flows" else {}
    assert run(command, tmp_path, **options) == (f"No .yaml file in {tmp_path}.", 2)
    missing = tmp_path / "gone.yaml"
    assert run(command, missing, **options) == (f"{missing}: No such file or directory.", 2)


def test_a_database_without_tables_is_said_in_a_sentence(folder: Path, tmp_path: Path) -> None:
    """In a process of its own, as the database of the tests has its tables."""
    there = {**os.environ, "DATABASE_URL": f"sqlite:///{tmp_path / 'empty.sqlite3'}"}
    command = [sys.executable, "-m", "django", "check_flows", str(folder)]
    ended = subprocess.run(command, env=there, capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stderr) == (
        2,
        "CommandError: The database has no tables yet. Run manage.py migrate first.\n",
    )


def test_check_is_silent_about_what_is_right(folder: Path) -> None:
    assert run("check_flows", folder) == ("2 files checked, 0 to be mended.\n", 0)


def test_check_says_what_is_wrong_and_exits_one(folder: Path) -> None:
    (folder / "horn-silent.yaml").write_text(FAULTY, encoding="utf-8")
    told, code = run("check_flows", folder)
    assert (told.splitlines()[-1], code) == ("2 files checked, 1 to be mended.", 1)
    told, code = run("check_flows", folder, json=True)
    data = json.loads(told)
    assert code == 1
    assert [(file["procedure"], len(file["findings"])) for file in data] == [("horn-control", 0), ("horn-silent", 2)]
    assert set(data[1]["findings"][0]) >= {"id", "level", "where", "message", "hint", "line"}


def test_strict_counts_warnings(yard: None) -> None:
    """The smallest file decides nothing: a warning."""
    smallest = VALID / "smallest.yaml"
    assert run("check_flows", smallest)[1] == 0
    assert run("check_flows", smallest, strict=True)[1] == 1


def test_export_writes_what_is_in_force(horn: Procedure, tmp_path: Path) -> None:
    place = tmp_path / "new" / "folder"
    told, code = run("export_flows", place, procedure=["horn-silent"], dry_run=True)
    assert (told, code) == (f"{place / 'horn-silent.yaml'}: written\n", 0)
    assert not place.exists()
    told, code = run("export_flows", place, procedure=["horn-silent"], json=True)
    assert (code, json.loads(told)) == (
        0,
        {
            "dry_run": False,
            "files": [{"file": str(place / "horn-silent.yaml"), "procedure": "horn-silent", "became": "written"}],
        },
    )
    assert flow_from((place / "horn-silent.yaml").read_text("utf-8")) == flow_of(horn.revisions.get())
    assert [path.name for path in place.iterdir()] == ["horn-silent.yaml"]


def test_export_of_an_unknown_procedure(horn: Procedure, tmp_path: Path) -> None:
    assert run("export_flows", tmp_path, procedure=["horn-silent", "gone", "away"]) == (
        "No published procedure called away, gone.",
        2,
    )
    assert list(tmp_path.iterdir()) == []


def test_export_into_what_is_no_folder(horn: Procedure, tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("", encoding="utf-8")
    told, code = run("export_flows", file, procedure=["horn-silent"])
    assert code == 2
    assert told.startswith(str(file))


def test_the_printed_schema_is_that_of_the_code() -> None:
    told, code = run("flow_schema")
    assert (code, json.loads(told)) == (0, json_schema())


def test_the_schema_in_words_names_fields_computations_and_checks() -> None:
    told, code = run("flow_schema", words=True)
    assert code == 0
    for word in ("Fields", "Computations", "Checks", "copper-cable-drop", "procedure-unknown"):
        assert word in told
    assert "  steps.KEY | title | required |" in told
    assert "True" not in told and "False" not in told
    data = json.loads(run("flow_schema", words=True, json=True)[0])
    assert {"fields", "computations", "checks"} == set(data)
    assert all(row["why"] for row in data["checks"])


def test_a_copied_folder_imports_the_same(folder: Path, senior: User, tmp_path: Path) -> None:
    run("import_flows", folder, author="senior")
    copied = tmp_path / "copied"
    shutil.copytree(folder, copied)
    told, _code = run("import_flows", copied, author="senior", json=True)
    assert {row["became"] for row in json.loads(told)["stored"]} == {"unchanged"}
