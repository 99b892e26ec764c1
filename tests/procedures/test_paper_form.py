"""The form on paper: a blank for every reading, a box for every outcome, and a code that leads back to the step."""

from __future__ import annotations

import io
import re

import pytest
from django.template.loader import render_to_string
from django.test import Client
from django.urls import reverse
from pypdf import PdfReader
from pytest_django import DjangoAssertNumQueries

from shopkb.accounts.models import User
from shopkb.charts.printing import Paper
from shopkb.charts.refusals import ChartUnavailable
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.model import GoKind
from shopkb.procedures.models import Procedure
from shopkb.procedures.printed import sheets_of
from shopkb.procedures.storing import flow_of
from shopkb.web.qr import qr_code
from tests.core.flow.builders import DATA
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


PAPER_QUERIES = 11


@pytest.mark.one_database  # where sheets are cut; the same addresses are asked on both below and in test_pages.py
def test_the_form_is_cut_where_the_sheets_of_the_chart_are(
    client: Client, shelf: dict[str, Procedure], junior: User
) -> None:
    """The headings of the PDF, read back, are those of the form; a step on another sheet is named with that sheet."""
    client.force_login(junior)
    flow = flow_of(shelf[FAN].revisions.get())
    pages = PdfReader(io.BytesIO(client.get(f"/procedures/{FAN}/1/chart.pdf?paper=a4").content)).pages
    charts = [re.search(r"sheet \d+ of \d+, steps? [\d ,to]*\d", page.extract_text()) for page in pages]
    html = client.get(reverse("procedures:paper", args=[FAN, 1]), {"paper": "a4"}).content.decode()
    forms = [part.partition("</h2>")[0] for part in html.split('<section class="paper-sheet">\n      <h2>')[1:]]
    assert len(pages) > 1
    assert [found[0] if found else "" for found in charts] == [heading.replace("Sheet", "sheet") for heading in forms]
    cut = sheets_of(flow, shelf[FAN].revisions.get(), Paper.A4)
    across = [
        (step, outcome.go.key)
        for step, outcome in flow.branches
        if outcome.go.kind is GoKind.STEP and cut.number[step.key] != cut.number[outcome.go.key]
    ]
    html = client.get(reverse("procedures:paper", args=[FAN, 1])).content.decode()
    assert across and without_gaps(html).count("(sheet ") == len(across)


def test_a_form_whose_chart_cannot_be_drawn_has_all_steps_on_one_sheet(
    client: Client, shelf: dict[str, Procedure], junior: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    client.force_login(junior)
    monkeypatch.setattr("shopkb.procedures.printed.sheet_steps", _no_graphviz)
    html = client.get(reverse("procedures:paper", args=[FAN, 1])).content.decode()
    flow = flow_of(shelf[FAN].revisions.get())
    assert html.count('class="paper-sheet"') == 1 and f"<h2>Steps 1 to {len(flow.steps)}</h2>" in html


def _no_graphviz(*_: object) -> None:
    raise ChartUnavailable("Graphviz is missing.")


def test_the_same_address_gives_the_same_code_and_another_another() -> None:
    assert qr_code("http://shop/1", "QR code") == qr_code("http://shop/1", "QR code")
    assert qr_code("http://shop/1", "QR code") != qr_code("http://shop/2", "QR code")


def test_how_often_a_step_is_tried_stands_before_what_to_do() -> None:
    flow = read_flow((DATA / "valid" / "horn-silent.yaml").read_bytes()).flow
    assert flow is not None
    shown = render_to_string("jobs/_what_to_do.html", {"step": flow.step_by_key["press"]})
    assert "Try it 3 times." in shown
    assert shown.index("Try it") < shown.index("Ignition on")
    assert "Try it" not in render_to_string("jobs/_what_to_do.html", {"step": flow.step_by_key["supply"]})
