"""The page kit: base page, fragments, styles and the text filters of every other room. No models."""

from django.apps import AppConfig


class WebConfig(AppConfig):
    name = "shopkb.web"
    label = "web"
    verbose_name = "Page kit"
