"""The request of a page that only a signed-in person reaches."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.http import HttpRequest

if TYPE_CHECKING:
    from django_htmx.middleware import HtmxDetails

    from shopkb.accounts.models import User


class SignedInRequest(HttpRequest):
    """A request whose ``user`` is a person of the shop: the middleware sends everybody else to the sign-in page.

    ``htmx`` says whether the page asked for a part of itself.
    """

    user: User
    htmx: HtmxDetails
