from __future__ import annotations

from typing import Any

from django.apps import AppConfig, apps
from django.db import connections
from django.db.models.signals import post_migrate


class UpkeepConfig(AppConfig):
    name = "shopkb.upkeep"

    def ready(self) -> None:
        from shopkb.upkeep import checks  # noqa: F401  (registers them)

        # The signal is sent for apps that have models; this one has none.
        post_migrate.connect(_keep_records, sender=apps.get_app_config("jobs"))


def _keep_records(using: str, **_sent: Any) -> None:
    """A migration that makes a table anew loses its triggers on SQLite."""
    from shopkb.jobs.log import append_only

    append_only.install(connections[using])
