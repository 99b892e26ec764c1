"""The papers of a job as PDF: the same page as on the screen, set for A4 by its print styles."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.contrib.staticfiles import finders
from django.core.files.storage import default_storage
from django.template.loader import render_to_string

from shopkb.web.context_processors import shop_name

BASE = "http://paper/"
"""Stands before the page's own addresses; nothing is fetched from any network."""
PHOTOS = "/jobs/photos/"
NO_LIBRARY = (
    "The library Pango is missing on the server, which sets PDFs (Debian: libpango-1.0-0 and libpangoft2-1.0-0). "
    "Print the page from the browser meanwhile."
)


class CannotSet(Exception):
    """A PDF cannot be made here. The text says why."""


def pdf_of(template: str, context: Mapping[str, Any]) -> bytes:
    """The page of this template as PDF. About a second a sheet.

    Raises:
        CannotSet: a library of the system is missing.
    """
    try:
        import weasyprint
    except OSError as error:
        raise CannotSet(NO_LIBRARY) from error
    logging.getLogger("weasyprint").setLevel(logging.CRITICAL)  # styles for screens alone are no faults here
    page = render_to_string(template, {**_of_shop(), **context})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        document = weasyprint.HTML(string=page, base_url=BASE, url_fetcher=_fetched)
        return bytes(document.write_pdf())


def _of_shop() -> dict[str, Any]:
    return {**shop_name(None), "invented": settings.WORLD == "demo", "on_paper": True}  # type: ignore[arg-type]


def _fetched(url: str) -> dict[str, Any]:
    """What the page names: our own styles, faces and pictures, and pictures of jobs."""
    parts = urlsplit(url)
    if url.startswith(BASE) and parts.path.startswith(settings.STATIC_URL):
        found = finders.find(parts.path.removeprefix(settings.STATIC_URL))
        if isinstance(found, str):
            return {"string": Path(found).read_bytes(), "mime_type": _TYPES.get(Path(found).suffix)}
    if url.startswith(BASE) and parts.path.startswith(PHOTOS):
        with default_storage.open(Path(parts.path).name) as file:
            return {"string": file.read(), "mime_type": None}
    raise ValueError(f"{url} is not of this page.")


_TYPES = {".css": "text/css", ".woff2": "font/woff2", ".svg": "image/svg+xml"}
