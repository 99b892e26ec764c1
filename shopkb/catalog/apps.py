from typing import Any

from django.apps import AppConfig
from django.db import transaction
from django.db.models.signals import post_delete, post_save


class CatalogConfig(AppConfig):
    name = "shopkb.catalog"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from shopkb.catalog.models import Access, Caution, Platform, Symptom, System

        for model in (Access, Caution, Platform, Symptom, System):
            for written in (post_save, post_delete):
                written.connect(forget_once_stored, sender=model, dispatch_uid=f"forget {model.__name__}")


def forget_once_stored(**_about: Any) -> None:
    """What is remembered of the catalog is read anew after a row of it was written."""
    from shopkb.catalog.facts import forget_catalog

    transaction.on_commit(forget_catalog)
