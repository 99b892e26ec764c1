"""What goes out: page or part, not kept by caches, and only our own address allowed to load from."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

import pytest
from csp.constants import NONE, SELF
from django.http import HttpResponse
from django.template import engines
from django.test import override_settings

from shopkb.web.htmx import render_page_or_part
from shopkb.web.middleware import never_cached
from shopkb.web.security import CONTENT_SECURITY_POLICY


class Details(SimpleNamespace):
    """Stands for django-htmx's details of a request that htmx sent."""

    def __bool__(self) -> bool:
        return bool(self.sent)


def details(*, sent: bool = True, boosted: bool = False, history_restore_request: bool = False) -> Details:
    return Details(sent=sent, boosted=boosted, history_restore_request=history_restore_request)


@pytest.mark.parametrize(
    ("htmx", "heading"),
    [
        (details(), "There is nothing at this address"),
        (details(sent=False), "You may not do this"),
        (details(boosted=True), "You may not do this"),
        (details(history_restore_request=True), "You may not do this"),
        (None, "You may not do this"),
    ],
)
def test_htmx_gets_the_part_and_everybody_else_the_page(rf: Any, htmx: Details | None, heading: str) -> None:
    request = rf.get("/")
    if htmx is not None:
        request.htmx = htmx
    with override_settings(TEMPLATES=PLAIN):
        response = render_page_or_part(request, "403.html", "404.html", {"x": 1}, status=422)
    assert heading in response.content.decode()
    assert response.status_code == 422
    assert response.headers["Vary"] == "HX-Request, HX-Boosted, HX-History-Restore-Request"


PLAIN = [{"BACKEND": "django.template.backends.django.DjangoTemplates", "APP_DIRS": True}]


def test_pages_are_not_kept_unless_their_view_says_so(rf: Any) -> None:
    kept = HttpResponse(headers={"Cache-Control": "max-age=60"})
    answers = iter([HttpResponse(), kept])
    answer = never_cached(lambda request: next(answers))
    assert answer(rf.get("/")).headers["Cache-Control"] == ("max-age=0, no-cache, no-store, must-revalidate, private")
    assert answer(rf.get("/")).headers["Cache-Control"] == "max-age=60"


def test_content_rules_allow_our_own_address_and_nothing_else() -> None:
    rules = CONTENT_SECURITY_POLICY["DIRECTIVES"]
    assert {name for name, sources in rules.items() if sources == [NONE]} == {
        "default-src",
        "base-uri",
        "frame-ancestors",
    }
    assert {name for name, sources in rules.items() if sources == [SELF]} == {
        *(f"{kind}-src" for kind in ("script", "style", "img", "font", "connect", "manifest", "worker")),
        "form-action",
    }
    assert len(rules) == 11


def test_text_filters_in_a_template() -> None:
    template = engines["django"].from_string(
        '{% load shopkb_web %}{{ text|md }}|{{ 65|minutes }}|{{ 0.714|percent }}|{{ gap|reading:"signed" }}'
    )
    assert template.render({"text": "U>**12**", "gap": 0.24}) == ("<p>U&gt;<strong>12</strong></p>|1 h 05|71 %|+0.24")
    moment = engines["django"].from_string("{% load shopkb_web %}{{ day|when }}{{ nothing|when }}")
    assert moment.render({"day": dt.date(2001, 2, 3), "nothing": None}).endswith(" years ago, 3 Feb 2001</time>")
