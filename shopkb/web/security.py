"""What a page of ours may load, for ``settings.py`` to import (django-csp 4).

Everything comes from our own address: no script, style or event handler stands in a page, nothing is framed, and a
form posts only to us. A style set by script (a chart's width) is not affected by these rules; a style attribute is.
"""

from __future__ import annotations

from typing import Any

from csp.constants import NONE, SELF

CONTENT_SECURITY_POLICY: dict[str, Any] = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF],
        "font-src": [SELF],
        "connect-src": [SELF],
        "form-action": [SELF],
        "manifest-src": [SELF],
        "worker-src": [SELF],
        "base-uri": [NONE],
        "frame-ancestors": [NONE],
    }
}
"""Value of the setting of the same name; needs ``csp`` and its middleware."""
