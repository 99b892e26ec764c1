"""Names of catalog records in templates: built in, no load needed."""

from __future__ import annotations

from django import template

from shopkb.catalog.models import Platform
from shopkb.catalog.platform_names import platform_name

register = template.Library()


@register.filter
def full_name(platform: Platform) -> str:
    """The platform's name from its maker down."""
    return platform_name(platform.path)
