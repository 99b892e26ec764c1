"""What every request and answer goes through: nothing is kept by browsers, and what cannot be stored is refused.

Pages show the shop's customers and jobs: no browser or proxy keeps them after sign-out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.template.loader import render_to_string
from django.utils.cache import add_never_cache_headers

from shopkb.web.storable import Unstorable, odd_character

View = Callable[[HttpRequest], HttpResponse]


def never_cached(get_response: View) -> View:
    """Mark every answer as not to be stored, unless its view has said otherwise (static files never come here)."""

    def answer(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        if not response.has_header("Cache-Control"):
            add_never_cache_headers(response)
        return response

    return answer


def no_older_token(get_response: View) -> View:
    """Leave out the cookie of the forms' token where the browser sent the same one.

    Django sends it with every page to keep it alive. A page that was asked for before somebody signed in, and comes
    after it, would put the token of before in the place of the new one, and the next form would be refused. Devices ask
    for pages in the background all the time.
    """

    def answer(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        name = settings.CSRF_COOKIE_NAME
        if name in response.cookies and response.cookies[name].value == request.COOKIES.get(name):
            del response.cookies[name]
        return response

    return answer


class OnlyWhatCanBeStored:
    """Refuse a request that carries what is no text in its address, its words, its form or a cookie: 400, in words.

    No text holds a null character or a lone surrogate. Stands behind the check of the form's token, so that a forged
    form is refused as that, and before whatever looks a session up. What a row cannot hold for another reason, and no
    form has said so, is answered 422.
    """

    def __init__(self, get_response: View) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, _view: View, args: tuple[object, ...], kwargs: dict[str, object]
    ) -> HttpResponse | None:
        if any(odd_character(text) for text in _texts_of(request, (*args, *kwargs.values()))):
            return HttpResponse(render_to_string("web/null_character.html"), status=400)
        return None

    def process_exception(self, _request: HttpRequest, error: Exception) -> HttpResponse | None:
        if isinstance(error, Unstorable):
            return HttpResponse(render_to_string("web/unstorable.html", {"why": str(error)}), status=422)
        return None


def _texts_of(request: HttpRequest, parts: Iterable[object]) -> Iterator[str]:
    yield from (part for part in parts if isinstance(part, str))
    yield from request.COOKIES.values()
    for sent in (request.GET, request.POST):
        for name, texts in sent.lists():
            yield name
            yield from texts
