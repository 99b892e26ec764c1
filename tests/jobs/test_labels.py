"""Labels to stick on: each leads back to its page, whatever is written on it."""

from __future__ import annotations

import re

import pytest
import zxingcpp
from django.urls import reverse
from PIL import Image

from shopkb.accounts.models import User
from shopkb.jobs.models import Vehicle
from shopkb.procedures.models import Procedure
from shopkb.web.qr import qr_code
from tests import builders
from tests.builders import signed_in, words_of


def read_back(svg: str) -> str:
    """The text of a code of ours: its path of runs, drawn and read by zxing-cpp."""
    side = int(re.findall(r'viewBox="0 0 (\d+)', svg)[0])
    image = Image.new("L", (side, side), 255)
    x = y = 0.0
    for kind, numbers in re.findall(r"([Mmh])([-\d. ]+)", re.findall(r'stroke="#000" d="([^"]+)"', svg)[0]):
        values = [float(number) for number in numbers.split()]
        if kind == "M":
            x, y = values
        elif kind == "m":
            x, y = x + values[0], y + values[1]
        else:
            for column in range(round(x), round(x + values[0])):
                image.putpixel((column, int(y)), 0)
            x += values[0]
    (code,) = zxingcpp.read_barcodes(image.resize((side * 8, side * 8), Image.Resampling.NEAREST))
    return str(code.text)


@pytest.mark.parametrize("text", ["https://shop.test/jobs/12/", "Größe 1 Ω <&>", "x" * 300])
def test_a_code_says_what_was_put_in(text: str) -> None:
    assert read_back(qr_code(text, "QR code")) == text


def test_its_name_cannot_break_out() -> None:
    assert 'aria-label="&quot;&gt;&lt;script&gt;"' in qr_code("x", '"><script>')


@pytest.mark.django_db
class TestPages:
    def codes(self, user: User, url: str) -> list[str]:
        page = signed_in(user).get(url).content.decode()
        return [read_back(svg) for svg in re.findall(r'<svg role="img".*?</svg>', page, re.DOTALL)]

    def test_each_leads_to_its_page(self, horn: Procedure, junior: User) -> None:
        job = builders.take_in(junior, registration="SB 77")
        vehicle = Vehicle.objects.get()
        leads = {
            reverse("jobs:label", args=[job.pk]): reverse("jobs:job", args=[job.pk]),
            reverse("jobs:vehicle-label", args=[vehicle.pk]): reverse("reports:vehicle", args=[vehicle.pk]),
            reverse("procedures:label", args=[horn.key]): reverse("procedures:procedure", args=[horn.key]),
            reverse("jobs:write-up", args=[job.pk]): reverse("jobs:job", args=[job.pk]),
        }
        for page, path in leads.items():
            assert self.codes(junior, page) == [f"http://testserver{path}"], page

    def test_it_says_in_words_what_it_is_of(self, horn: Procedure, junior: User) -> None:
        job = builders.take_in(junior, registration="SB 77")
        told = words_of(signed_in(junior).get(reverse("jobs:label", args=[job.pk])))
        assert all(word in told for word in (f"Job {job.pk}", "SB 77", " ".join(job.complaint.split()[:9])))

    def test_as_many_as_asked_for_and_no_more_than_a_sheet(self, horn: Procedure, junior: User) -> None:
        url, client = reverse("procedures:label", args=[horn.key]), signed_in(junior)
        for asked, made in {"": 1, "3": 3, "24": 24, "25": 24, "0": 1, "-1": 1, "x": 1}.items():
            page = client.get(url, {"copies": asked}).content.decode()
            assert page.count('<svg role="img"') == made, asked
