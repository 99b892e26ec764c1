"""The page kit: base page, fragments, styles, text filters of every other room, what a row may hold. No models."""

from django.apps import AppConfig
from django.db.models.signals import pre_save


class WebConfig(AppConfig):
    name = "shopkb.web"
    label = "web"
    verbose_name = "Page kit"

    def ready(self) -> None:
        from shopkb.web.storable import require_storable

        pre_save.connect(require_storable, dispatch_uid="require_storable")
