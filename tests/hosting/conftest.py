"""A shop that waits to be opened, in a data folder of its own."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as django_settings
from django.utils import timezone

from shopkb import environment
from shopkb.hosting import choices, first_run
from tests.builders import horn, yard

__all__ = ["horn", "yard"]

OPENING: dict[str, Any] = {
    "shop_name": "Mill Lane Garage",
    "time_zone": "Europe/Dublin",
    "distance_unit": "km",
    "currency": "€",
    "hourly_rate": "75",
    "username": "winifred",
    "called": "Winifred",
    "password": "teasel and reed",
    "again": "teasel and reed",
    "understood": "on",
}


@pytest.fixture
def place(tmp_path: Path, settings: Any) -> Iterator[Path]:
    """The folder; what the shop chose is taken back afterwards."""
    settings.DATA_DIR = tmp_path
    settings.CHOICES_FILE = tmp_path / "choices.json"
    settings.BACKUP_DIR = tmp_path / "backups"
    before, zone = choices.now_in_force(), os.environ.get("TZ")
    yield tmp_path
    environment.read_choices(tmp_path / "none")
    for field in choices.NAMES:
        setattr(django_settings, field.upper(), getattr(before, field))
    timezone.get_default_timezone.cache_clear()  # type: ignore[attr-defined]
    if zone is None:
        os.environ.pop("TZ", None)
    else:
        os.environ["TZ"] = zone
    time.tzset()


@pytest.fixture
def token(place: Path, db: None) -> str:
    return first_run.new_token()
