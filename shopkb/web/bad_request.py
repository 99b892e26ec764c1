"""What is said of a request that was refused before any view saw it: damaged, too long, or under a wrong name."""

from __future__ import annotations

from django.conf import settings
from django.core.exceptions import DisallowedHost, RequestDataTooBig
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string


def bad_request(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """400, or 413 where the form held more than is taken. For a name that is not ours no page links to it."""
    if isinstance(exception, DisallowedHost):
        asked = request.META.get("HTTP_HOST", "")[:200]
        return HttpResponse(render_to_string("web/wrong_host.html", {"asked": asked}), status=400)
    if isinstance(exception, RequestDataTooBig):
        most = f"{settings.DATA_UPLOAD_MAX_MEMORY_SIZE // (1024 * 1024)} MB"
        return HttpResponse(render_to_string("web/too_long.html", {"most": most}), status=413)
    return render(request, "400.html", status=400)
