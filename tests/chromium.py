"""The browser that pages are tried in: Chromium, by itself or as the shell that it has for running without a screen."""

from __future__ import annotations

import os
import shutil
from typing import Final

NAMES: Final = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome", "chrome")
"""The shell comes first: the same engine, at two thirds of the processor time."""

FLAGS: Final = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip

MISSING: Final = "No Chromium found. Install it (Debian: apt install chromium) or set SHOPKB_CHROMIUM."


def found() -> str | None:
    """``SHOPKB_CHROMIUM``, else the first on the PATH."""
    return os.environ.get("SHOPKB_CHROMIUM") or next((at for name in NAMES if (at := shutil.which(name))), None)


def path() -> str:
    """Where the browser is.

    Raises:
        FileNotFoundError: there is none. A page that nobody opened is not tested.
    """
    at = found()
    if at is None:
        raise FileNotFoundError(MISSING)
    return at
