from django.apps import AppConfig


class CatalogConfig(AppConfig):
    name = "shopkb.catalog"
    default_auto_field = "django.db.models.BigAutoField"
