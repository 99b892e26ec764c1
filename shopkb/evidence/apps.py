from django.apps import AppConfig


class EvidenceConfig(AppConfig):
    name = "shopkb.evidence"
    default_auto_field = "django.db.models.BigAutoField"
