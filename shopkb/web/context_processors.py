"""What every page knows of the shop it belongs to."""

from __future__ import annotations

from django.conf import settings
from django.http import HttpRequest


def shop_name(_request: HttpRequest) -> dict[str, str]:
    """``shop_name``: the shop's own name from ``SHOPKB_SHOP_NAME``, else what the tool is."""
    return {"shop_name": settings.SHOP_NAME or "Workshop knowledge base"}
