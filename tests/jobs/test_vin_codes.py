"""The VIN out of a photo of its bar code.

Codes are drawn by segno (QR) and by zxing-cpp's own writer (Code 39, Code 128, Data Matrix). Numbers are test vectors:
1M8GDM9AXKP042788, the worked example of the check digit that is published with 49 CFR 565.
"""

from __future__ import annotations

import io
import json

import pytest
import segno
import zxingcpp
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import Image, ImageFilter

from shopkb.accounts.models import User
from shopkb.jobs.vin_codes import NO_CODE, NO_VIN, NoVin, vin_in_photo
from shopkb.web.images import BadPicture
from tests.builders import signed_in

VIN, WRONG_DIGIT, NOT_CHECKABLE = "1M8GDM9AXKP042788", "1M8GDM9A1KP042788", "SVZAB9C8D0E123456"
FORMATS = ("Code39", "Code128", "DataMatrix")


def bars(text: str, form: str = "Code39") -> Image.Image:
    code = zxingcpp.create_barcode(text, getattr(zxingcpp.BarcodeFormat, form))
    return Image.fromarray(zxingcpp.write_barcode_to_image(code, scale=4)).convert("RGB")


def square(text: str) -> Image.Image:
    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(out, kind="png", scale=6, border=4)
    return Image.open(out).convert("RGB")


def photo(*codes: Image.Image, turned: float = 0, blur: float = 0) -> io.BytesIO:
    """These codes below each other on a grey door post, as a telephone's JPEG."""
    post = Image.new("RGB", (1500, 1100), (120, 122, 125))
    down = 80
    for code in codes:
        post.paste(code, (120, down))
        down += code.height + 60
    seen = post.rotate(turned, expand=True, fillcolor=(120, 122, 125)).filter(ImageFilter.GaussianBlur(blur))
    out = io.BytesIO()
    seen.save(out, "JPEG", quality=80)
    out.seek(0)
    return out


@pytest.mark.parametrize("turned", [0, 4, 90, 180])
@pytest.mark.parametrize("form", FORMATS)
def test_each_kind_of_code_is_read_as_it_is_held(form: str, turned: float) -> None:
    assert vin_in_photo(photo(bars(VIN, form), turned=turned, blur=1)).vin == VIN


@pytest.mark.parametrize(
    "text", [VIN, f"I{VIN}", VIN.lower(), f"VIN:{VIN};YEAR 1989", f"https://plate.test/?v={VIN}&c=2", f"{VIN}\n4711"]
)
def test_it_stands_alone_or_among_other_words(text: str) -> None:
    assert vin_in_photo(photo(square(text))).vin == VIN


def test_other_codes_beside_it_are_passed_over() -> None:
    assert vin_in_photo(photo(bars("4711-0815"), bars(VIN), square("https://shop.test/parts"))).vin == VIN


def test_of_several_the_one_with_the_right_check_digit_is_taken() -> None:
    assert vin_in_photo(photo(bars(WRONG_DIGIT), bars(VIN))).vin == VIN


def test_a_number_without_a_check_digit_is_taken_and_told() -> None:
    found = vin_in_photo(photo(bars(NOT_CHECKABLE)))
    assert (found.vin, found.state.value) == (NOT_CHECKABLE, "not checkable")


@pytest.mark.parametrize(
    ("codes", "why"),
    [
        ((), NO_CODE),
        ((bars("4711-0815"),), NO_VIN),
        ((square("AB" + VIN),), NO_VIN),
        ((bars("IOQ8GDM9AXKP04278"),), NO_VIN),
        ((bars(WRONG_DIGIT), bars(NOT_CHECKABLE)), f"several numbers: {WRONG_DIGIT} and {NOT_CHECKABLE}"),
    ],
)
def test_what_gives_no_number_is_told(codes: tuple[Image.Image, ...], why: str) -> None:
    with pytest.raises(NoVin, match=why):
        vin_in_photo(photo(*codes))


def test_what_is_no_picture_is_refused() -> None:
    with pytest.raises(BadPicture):
        vin_in_photo(io.BytesIO(b"<svg/>"))


class TestAddress:
    def sent(self, client: Client, body: bytes | None) -> tuple[int, dict[str, str]]:
        data = {} if body is None else {"picture": SimpleUploadedFile("vin.jpg", body, "image/jpeg")}
        answer = client.post(reverse("jobs:read-vin"), data)
        return answer.status_code, json.loads(answer.content)

    def test_it_gives_the_number_and_what_its_check_digit_says(self, junior: User) -> None:
        told = {"vin": VIN, "text": "The check digit X in position 9 is right."}
        assert self.sent(signed_in(junior), photo(bars(VIN)).getvalue()) == (200, told)

    @pytest.mark.parametrize(
        ("body", "why"),
        [(None, "Take a picture"), (b"", "not a picture"), (b"x", "not a picture"), (photo().getvalue(), NO_CODE)],
    )
    def test_it_says_why_there_is_none(self, junior: User, body: bytes | None, why: str) -> None:
        status, told = self.sent(signed_in(junior), body)
        assert status == 422 and why in told["refused"]
