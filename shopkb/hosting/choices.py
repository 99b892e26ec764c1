"""What a shop chose on its own pages: kept in a file beside the database, in force at once.

The file holds the names that the environment has for the same settings; what the environment says goes first.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from django.conf import settings
from django.utils import timezone

from shopkb import environment

NAMES: Mapping[str, str] = {
    "shop_name": "SHOPKB_SHOP_NAME",
    "time_zone": "SHOPKB_TIME_ZONE",
    "distance_unit": "SHOPKB_DISTANCE_UNIT",
    "currency": "SHOPKB_CURRENCY",
    "hourly_rate": "SHOPKB_HOURLY_RATE",
    "second_backup": "SHOPKB_SECOND_BACKUP_DIR",
}
"""Field to the name in the environment."""


@dataclass(frozen=True, slots=True)
class Choices:
    """``time_zone`` is an IANA name, ``distance_unit`` ``miles`` or ``km``, ``hourly_rate`` in whole ``currency``,
    ``second_backup`` a folder, or empty."""

    shop_name: str
    time_zone: str
    distance_unit: str
    currency: str
    hourly_rate: int
    second_backup: str = ""


def now_in_force() -> Choices:
    return Choices(
        str(settings.SHOP_NAME),
        str(settings.TIME_ZONE),
        str(settings.DISTANCE_UNIT),
        str(settings.CURRENCY),
        int(settings.HOURLY_RATE),
        str(settings.SECOND_BACKUP),
    )


def fixed() -> frozenset[str]:
    """Fields that the environment decides: what is chosen on a page would not hold."""
    return frozenset(field for field, name in NAMES.items() if name in os.environ)


def keep(choices: Choices) -> None:
    """Write the file, all of it or nothing, and put it in force.

    Raises:
        OSError: it cannot be written, or the disk is full; the file is as it was.
    """
    held = {NAMES[field]: str(value) for field, value in asdict(choices).items() if field not in fixed()}
    path = settings.CHOICES_FILE
    part = path.with_suffix(".part")
    try:
        with part.open("w", encoding="utf-8") as file:
            json.dump(held, file, indent=1, ensure_ascii=False)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    environment.read_choices(path)
    _put_in_force({field: value for field, value in asdict(choices).items() if field not in fixed()})


def _put_in_force(chosen: Mapping[str, Any]) -> None:
    """The settings are read once, at the start; the service runs in one process, so they are set in it."""
    for field, value in chosen.items():
        setattr(settings, field.upper(), value)
    timezone.get_default_timezone.cache_clear()  # type: ignore[attr-defined]
    os.environ["TZ"] = settings.TIME_ZONE
    if hasattr(time, "tzset"):
        time.tzset()
