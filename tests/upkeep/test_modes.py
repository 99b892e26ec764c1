"""Folders that others may look into are told of and closed; serving them in the clear is warned of."""

from __future__ import annotations

import os
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from shopkb.upkeep.management.commands import serve
from shopkb.upkeep.modes import check_modes, close_to_others, open_to_others

pytestmark = [
    pytest.mark.skipif(os.name != "posix", reason="Windows keeps no such modes."),
    pytest.mark.one_database,
]


def mode(path: Path) -> str:
    return oct(path.stat().st_mode & 0o777)


def shop(data: Path, backups: Path, file: Path) -> SimpleNamespace:
    """Settings of a shop on SQLite."""
    databases = {"default": {"ENGINE": "django.db.backends.sqlite3", "NAME": str(file)}}
    return SimpleNamespace(DATA_DIR=data, MEDIA_ROOT=data / "photos", BACKUP_DIR=backups, DATABASES=databases)


@pytest.fixture
def folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, Path]:
    """A data folder that was there before, as ``mkdir`` makes it; backups elsewhere; pictures inside."""
    data, backups = tmp_path / "data", tmp_path / "backups"
    for path in (data, data / "photos", backups):
        path.mkdir()
        path.chmod(0o755)
    file = data / "shop.sqlite3"
    file.touch()
    file.chmod(0o644)
    monkeypatch.setattr("shopkb.upkeep.modes.settings", shop(data, backups, file))
    return {"data": data, "backups": backups, "file": file}


def test_check_tells_of_each_and_repair_closes_it(folders: dict[str, Path], db: None) -> None:
    assert open_to_others() == [folders["data"], folders["backups"]]
    assert [(told.id, str(folders["data"]) in told.msg) for told in check_modes()] == [
        ("upkeep.W002", True),
        ("upkeep.W002", False),
    ]
    said = StringIO()
    call_command("check", stderr=said)
    assert f"{folders['data']} is open to every account of this computer." in said.getvalue()
    with pytest.raises(CommandError, match="folders"):
        call_command("verify", stdout=StringIO())
    said = StringIO()
    call_command("verify", "--repair", stdout=said)
    assert said.getvalue().startswith("folders: mended.\nAll hold:")
    assert (mode(folders["data"]), mode(folders["backups"])) == ("0o750", "0o750")
    assert check_modes() == []


def test_a_database_elsewhere_is_looked_at_for_itself(
    folders: dict[str, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "elsewhere.sqlite3"
    elsewhere.touch()
    elsewhere.chmod(0o644)
    monkeypatch.setattr("shopkb.upkeep.modes.settings", shop(folders["data"], folders["backups"], elsewhere))
    assert elsewhere in open_to_others()
    assert elsewhere in close_to_others()
    assert mode(elsewhere) == "0o640"


@pytest.mark.parametrize(
    ("host", "https", "warned"),
    [
        ("0.0.0.0", False, True),
        ("::", False, True),
        ("192.168.1.4", False, True),
        ("shop.example", False, True),
        ("127.0.0.1", False, False),
        ("::1", False, False),
        ("localhost", False, False),
        ("0.0.0.0", True, False),
    ],
)
def test_serving_a_network_in_the_clear_is_warned_of(
    host: str,
    https: bool,
    warned: bool,
    folders: dict[str, Path],
    db: None,
    settings: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    settings.HTTPS = https
    served = []
    monkeypatch.setattr("waitress.serve", lambda _application, **how: served.append(how["host"]))
    monkeypatch.setattr("shopkb.procedures.drawing.draw_first_chart", lambda: None)
    monkeypatch.setattr("shopkb.reports.cache_warming.warm_in_background", lambda: None)
    monkeypatch.setattr(serve.connection, "close", lambda: None)
    out, err = StringIO(), StringIO()
    call_command("serve", host=host, stdout=out, stderr=err)
    assert served == [host]
    assert ("without HTTPS" in err.getvalue()) is warned
    assert "it is closed to others now" in out.getvalue()
    assert mode(folders["data"]) == "0o750"
