from django.apps import AppConfig


class JobsConfig(AppConfig):
    name = "shopkb.jobs"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from shopkb.jobs.errors import NotPossible
        from shopkb.web.storable import REFUSALS

        REFUSALS[self.label] = NotPossible
