"""QR codes of addresses, as SVG of our own page (ISO/IEC 18004, by segno)."""

from __future__ import annotations

from typing import Final

import segno
from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe

QUIET_ZONE: Final = 4
"""Modules of blank round a code: the four that ISO/IEC 18004 asks for."""


def qr_code(text: str, name: str, border: int = QUIET_ZONE) -> SafeString:
    """The code of ``text``, black on white, with middle error correction, without style attributes.

    ``name`` is read out.
    """
    drawn = segno.make(text, error="m", micro=False).svg_inline(border=border, omitsize=True, light="#fff")
    return mark_safe(drawn.replace("<svg", f'<svg role="img" aria-label="{escape(name)}"', 1))  # noqa: S308
