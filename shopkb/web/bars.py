"""Small bars as inline SVG: classes and plain numbers only, no style attribute."""

from __future__ import annotations

import math


def _hundredths(share: float) -> str:
    clipped = min(1.0, max(0.0, share)) if math.isfinite(share) else 0.0
    return f"{clipped * 100:.1f}".rstrip("0").rstrip(".")


def interval_bar(share: float, low: float, high: float) -> str:
    """A rate with its interval on a line from 0 to 1; the words beside it say the same, so it is hidden from speech."""
    start, end = sorted((low, high))
    return (
        '<svg viewBox="0 0 100 14" preserveAspectRatio="none" aria-hidden="true" focusable="false">'
        '<rect class="ground" x="0" y="6" width="100" height="2"/>'
        f'<rect class="span" x="{_hundredths(start)}" y="4" width="{_hundredths(max(end - start, 0.01))}" height="6"/>'
        f'<rect class="at" x="{_hundredths(min(share, 0.96) - 0.02)}" y="0" width="4" height="14"/></svg>'
    )


def length_bar(share: float) -> str:
    """A probability as a length; the words beside it say the same, so it is hidden from speech."""
    return (
        '<svg viewBox="0 0 100 14" preserveAspectRatio="none" aria-hidden="true" focusable="false">'
        '<rect class="rest" x="0" y="1" width="100" height="12"/>'
        f'<rect class="length" x="0" y="1" width="{_hundredths(share)}" height="12"/></svg>'
    )
