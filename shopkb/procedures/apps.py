from django.apps import AppConfig


class ProceduresConfig(AppConfig):
    name = "shopkb.procedures"
    default_auto_field = "django.db.models.BigAutoField"
