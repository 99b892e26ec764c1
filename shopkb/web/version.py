"""The version in use, and what changed with it, for whoever runs the tool."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import markdown
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_safe

import shopkb

CHANGES = Path(shopkb.__file__).with_name("CHANGES.md")


@require_safe
def version_page(request: HttpRequest) -> HttpResponse:
    """The number of the version and the list of changes, newest first."""
    return render(request, "web/version.html", {"version": shopkb.__version__, "changes": changes_html()})


@cache
def changes_html() -> SafeString:
    """``CHANGES.md`` as HTML, without its own heading. The file is part of the program and so trusted."""
    text = CHANGES.read_text(encoding="utf-8").partition("\n")[2]
    return mark_safe(markdown.markdown(text))  # noqa: S308
