from __future__ import annotations

from typing import Any

from django.apps import AppConfig
from django.db import connections
from django.db.models.signals import post_migrate


class UpkeepConfig(AppConfig):
    name = "shopkb.upkeep"

    def ready(self) -> None:
        from shopkb.upkeep import checks  # noqa: F401  (registers them)

        post_migrate.connect(_keep_records, sender=self)


def _keep_records(using: str, **_sent: Any) -> None:
    """A migration that makes a table anew loses its triggers on SQLite."""
    from shopkb.jobs import append_only

    append_only.install(connections[using])
