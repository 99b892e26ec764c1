"""The revision that an address names."""

from __future__ import annotations

from django.shortcuts import get_object_or_404

from shopkb.procedures.models import Revision


def requested_revision(key: str, number: int) -> Revision:
    """With its procedure and author. One query.

    Raises:
        Http404: there is no such revision.
    """
    return get_object_or_404(Revision.objects.select_related("procedure", "author"), procedure__key=key, number=number)
