"""The form on paper: a blank for every reading, a box for every outcome, and a code that leads back to the step."""

from __future__ import annotations

from django.test import Client
from django.urls import reverse
from pytest_django import DjangoAssertNumQueries

from shopkb.accounts.models import User
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from shopkb.procedures.views.paper_form import square
from tests.markup import without_gaps

FAN = "overheats-fan-silent"


def test_the_form_has_a_blank_a_box_and_a_code_for_all(
    client: Client, shelf: dict[str, Procedure], junior: User, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    client.force_login(junior)
    flow = flow_of(shelf[FAN].revisions.get())
    address = reverse("procedures:paper", args=[FAN, 1])
    client.get(address)
    with django_assert_num_queries(PAPER_QUERIES):
        page = client.get(address).content.decode()
    page = without_gaps(page)
    assert page.count('aria-label="QR code of this step"') == len(flow.steps)
    assert page.count(':<span class="blank">') == sum(step.reading is not None for step in flow.steps)
    assert page.count("<li><b>") == sum(len(step.outcomes) for step in flow.steps)
    assert "style=" not in page.partition("<main")[2]


PAPER_QUERIES = 4


def test_the_same_address_gives_the_same_code_and_another_another() -> None:
    assert square("http://shop/1") == square("http://shop/1")
    assert square("http://shop/1") != square("http://shop/2")
