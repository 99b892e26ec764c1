"""Labels to print and stick on: a QR code that leads back to a page, with words for whoever has no camera at hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from shopkb.web.numbers import row_number
from shopkb.web.qr import qr_code

ONLY_HERE: Final = frozenset({"localhost", "127.0.0.1", "::1"})
"""Names under which a computer knows itself alone."""
MOST_COPIES: Final = 24
"""An A4 sheet of labels, three abreast and eight down."""


@dataclass(frozen=True, slots=True)
class Label:
    """``path``: the page it leads to; ``title`` in large letters, ``lines`` below it."""

    path: str
    title: str
    lines: tuple[str, ...]


def label_sheet(request: HttpRequest, label: Label, section: str) -> HttpResponse:
    """A sheet with so many of this label as ``?copies=`` asks for, one where it asks for none that can be made."""
    asked = row_number(request.GET.get("copies", "")) or 1
    address = request.build_absolute_uri(label.path)
    context = {
        "label": label,
        "address": address,
        "only_here": urlsplit(address).hostname in ONLY_HERE,
        "code": qr_code(address, f"QR code of {label.title}"),
        "copies": min(asked, MOST_COPIES),
        "repeated": range(min(asked, MOST_COPIES)),
        "most": MOST_COPIES,
        "section": section,
    }
    return render(request, "web/labels.html", context)
