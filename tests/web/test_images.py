"""Pictures as they are kept: what is refused by its head, what is left of what a camera wrote."""

from __future__ import annotations

import io
import struct
import threading
import zlib

import pytest
from PIL import Image, ImageCms, ImageFile, PngImagePlugin

from shopkb.web import images
from shopkb.web.images import AT_ONCE, BadPicture, TooManyPictures, encoded


def written(picture: Image.Image, form: str, **more: object) -> io.BytesIO:
    out = io.BytesIO()
    picture.save(out, form, **more)
    out.seek(0)
    return out


def one_row_of_zeros(width: int, height: int) -> io.BytesIO:
    """A PNG of one bit a pixel whose head says how large it is, as small as such a file can be."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    rows = zlib.compress(bytes((width + 7) // 8 + 1) * height, 9)
    return io.BytesIO(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b""))


@pytest.mark.parametrize("size", [(1, 49_000_000), (49_000_000, 1), (12_001, 10), (10, 12_001)])
def test_a_long_narrow_picture_is_refused_by_its_head(size: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    bomb = one_row_of_zeros(*size)
    assert len(bomb.getvalue()) < 100_000
    monkeypatch.setattr(Image.Image, "load", lambda _self: pytest.fail("It was decoded."))
    with pytest.raises(BadPicture, match="longer than 12,000 pixels"):
        encoded(bomb)


def test_nothing_but_pixels_is_kept() -> None:
    """A comment, an EXIF block, text of a PNG and an XMP packet, each with a word that must not be found again."""
    note = PngImagePlugin.PngInfo()
    note.add_text("comment", "SECRET-PNG")
    exif = Image.Exif()
    exif[0x010E] = "SECRET-EXIF"
    square = Image.new("RGB", (60, 40), (200, 60, 20))
    for file in (
        written(square, "JPEG", comment=b"SECRET-COM", exif=exif, xmp=b"SECRET-XMP"),
        written(square, "PNG", pnginfo=note, exif=exif),
        written(square, "WEBP", exif=exif, xmp=b"SECRET-XMP"),
    ):
        assert b"SECRET" in file.getvalue()
        body, width, height = encoded(file)
        assert b"SECRET" not in body
        assert (width, height) == (60, 40)
        kept = Image.open(io.BytesIO(body))
        assert not kept.getexif() and "comment" not in kept.info and "icc_profile" not in kept.info


def test_a_profile_is_used_and_then_dropped() -> None:
    """XYZ of the same numbers is another colour: it is turned into what sRGB shows."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    square = Image.new("RGB", (40, 40), (200, 60, 20))
    same, _, _ = encoded(written(square, "JPEG", icc_profile=profile, quality=95))
    assert Image.open(io.BytesIO(same)).getpixel((20, 20)) == pytest.approx((200, 60, 20), abs=4)
    broken, _, _ = encoded(written(square, "JPEG", icc_profile=b"no profile at all", quality=95))
    assert Image.open(io.BytesIO(broken)).getpixel((20, 20)) == pytest.approx((200, 60, 20), abs=4)


def test_of_several_pictures_in_one_the_first_is_kept_and_an_animation_is_refused() -> None:
    first, second = Image.new("RGB", (60, 40), (200, 0, 0)), Image.new("RGB", (60, 40), (0, 0, 200))
    body, _, _ = encoded(written(first, "MPO", save_all=True, append_images=[second]))
    red, _, blue = Image.open(io.BytesIO(body)).getpixel((5, 5))  # type: ignore[misc]
    assert red > 150 > blue
    for form in ("PNG", "WEBP"):
        with pytest.raises(BadPicture, match="This picture moves"):
            encoded(written(first, form, save_all=True, append_images=[second]))


def test_a_picture_turned_by_its_camera_stands_upright_and_is_no_larger_than_1600() -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # turn a quarter to the right
    body, width, height = encoded(written(Image.new("RGB", (4000, 3000)), "JPEG", exif=exif))
    assert (width, height) == (1200, 1600)
    assert Image.open(io.BytesIO(body)).size == (1200, 1600)


def test_pictures_are_decoded_one_at_a_time_and_only_some_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    """The next after those is told to come again at once, so that a thread is left for everybody else."""
    inside, most, go = [], [], threading.Event()
    real = images._upright

    def slow(body: bytes) -> Image.Image:
        inside.append(1)
        most.append(len(inside))
        go.wait(10)
        inside.pop()
        return real(body)

    monkeypatch.setattr(images, "_upright", slow)
    files = [written(Image.new("RGB", (60, 40)), "JPEG") for _ in range(AT_ONCE)]
    done: list[int] = []
    threads = [threading.Thread(target=lambda file=file: done.append(encoded(file)[1])) for file in files]
    for thread in threads:
        thread.start()
    for _ in range(200):
        if images._waiting._value == 0:
            break
        threading.Event().wait(0.02)
    with pytest.raises(TooManyPictures, match="Send this one again in a moment"):
        encoded(written(Image.new("RGB", (60, 40)), "JPEG"))
    go.set()
    for thread in threads:
        thread.join(10)
    assert done == [60] * AT_ONCE
    assert max(most) == 1
    assert encoded(written(Image.new("RGB", (60, 40)), "JPEG"))[1:] == (60, 40)


def test_a_picture_cut_off_is_refused_whatever_another_library_switched_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pillow has one switch for the whole process, and the library that sets PDFs turns it when it is first needed."""
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    whole = written(Image.effect_noise((400, 300), 90).convert("RGB"), "PNG").getvalue()
    with pytest.raises(BadPicture, match="damaged"):
        encoded(io.BytesIO(whole[: len(whole) // 2]))
