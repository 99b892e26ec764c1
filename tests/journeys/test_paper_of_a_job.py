"""The write-up as a PDF, printed by the browser: A4, everything on it, pictures in, nothing cut off.

Read back with pypdf, a reader that knows nothing of how the page was made.
"""

from __future__ import annotations

import io
import uuid

import pytest
from django.utils import timezone
from PIL import Image
from playwright.sync_api import Page
from pypdf import PdfReader

from shopkb.accounts.models import User
from shopkb.jobs.actions.photos import NewPhoto, keep_photo
from shopkb.jobs.models import Job
from shopkb.procedures.models import Procedure

from .conftest import PHONE, Visits
from .scenes import FAN, TO_GROUND, cured_fan_job

pytestmark = [pytest.mark.journey, pytest.mark.looks, pytest.mark.django_db(transaction=True)]

A4 = (595, 842)
"""ISO 216, 210 mm x 297 mm, in points of 1/72 inch."""

PRINTABLE = 688
"""CSS pixels between the margins of print.css: 210 mm less twice 14 mm."""

LOADED = "[...document.images].every(image => image.complete && image.naturalWidth)"
CUT = """() => [...document.querySelectorAll('.writeup *')].filter(element => {
  const box = element.getBoundingClientRect(), sheet = document.querySelector('.writeup').getBoundingClientRect();
  return box.right > sheet.right + 1 || box.left < sheet.left - 1 || element.scrollWidth > element.clientWidth + 1 &&
    getComputedStyle(element).overflowX !== 'visible';
}).map(element => element.outerHTML.slice(0, 80))"""


def photographed(job: Job, who: User) -> None:
    """Two pictures, one wide and one tall."""
    for words, size in (("The ground point, green.", (800, 600)), ("The joint, made anew.", (600, 1200))):
        file = io.BytesIO()
        Image.new("RGB", size, (90, 60, 30)).save(file, "JPEG")
        file.seek(0)
        keep_photo(job, NewPhoto(file, uuid.uuid4(), words=words), by=who, at=timezone.now())


def printed(page: Page) -> tuple[PdfReader, list[str]]:
    """The PDF, and the words that the page has for print."""
    page.wait_for_function(LOADED)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": PRINTABLE, "height": 900})
    assert page.evaluate(CUT) == []
    words = page.locator("main").inner_text().split()
    return PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True))), words


def squeezed(text: str) -> str:
    """Without white space: where a PDF breaks its lines is its own affair."""
    return "".join(text.split())


def test_the_write_up_is_printed_whole(visits: Visits, shelf: dict[str, Procedure], junior: User) -> None:
    job = cured_fan_job(junior, shelf[FAN], TO_GROUND, ("cooling/fan/earth", "high resistance"))
    photographed(job, junior)
    page = visits.open(PHONE, junior, path=f"/jobs/{job.pk}/write-up/")
    paper, words = printed(page)
    assert [tuple(round(side) for side in sheet.mediabox[2:]) for sheet in paper.pages] == [A4] * len(paper.pages)
    assert len(paper.pages) <= 2, "one sheet and its pictures"
    said = squeezed("".join(sheet.extract_text() for sheet in paper.pages))
    assert [word for word in words if word not in said] == []
    assert "Ranhotinthequeueattheferry" in said
    assert "localrulesandlicensedpracticecomebeforethisrecord" in said
    assert sorted(image.image.size for sheet in paper.pages for image in sheet.images) == [(600, 1200), (800, 600)]
    page.goto(f"{visits.address}/jobs/{job.pk}/write-up/technical/")
    technical, words = printed(page)
    said = squeezed("".join(sheet.extract_text() for sheet in technical.pages))
    assert [word for word in words if word not in said] == []
