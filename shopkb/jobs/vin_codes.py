"""The vehicle identification number in a photo of its bar code, read by zxing-cpp.

Vehicles carry it as Code 39 (ISO/IEC 16388), Code 128, Data Matrix or QR code, alone or among other words.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import IO, TYPE_CHECKING, Final

from shopkb.core.identifiers import VinCheck, VinState, check_vin
from shopkb.web.images import decoded

if TYPE_CHECKING:
    from PIL import Image

VIN_LIKE: Final = re.compile(r"(?<![A-Z0-9])I?([A-HJ-NPR-Z0-9]{17})(?![A-Z0-9])")
"""Seventeen of the characters of ISO 3779. An I before them marks imported vehicles on their label (common practice, no
source); no number has that letter itself."""
NO_CODE: Final = (
    "No bar code was found in the picture. Hold the camera straight over it, close, without glare, or type the number."
)
NO_VIN: Final = "The bar code in the picture holds no VIN. Take the one that stands beside the number, or type it."


class NoVin(Exception):
    """The picture gives no number; the sentence says why and what to do."""


def vin_in_photo(file: IO[bytes]) -> VinCheck:
    """The number that the picture's codes hold, with what its check digit says.

    Raises:
        NoVin: no code, no number in it, or several numbers.
        shopkb.web.images.BadPicture: the file is no picture, or others are being decoded.
    """
    texts = decoded(file, _codes)
    if not texts:
        raise NoVin(NO_CODE)
    return _only_one(_numbers(texts))


def _codes(picture: Image.Image) -> list[str]:
    import zxingcpp

    return [code.text for code in zxingcpp.read_barcodes(picture) if code.text]


def _numbers(texts: Iterable[str]) -> list[VinCheck]:
    """Each number once; those with a right check digit alone, where there are any."""
    found = {match for text in texts for match in VIN_LIKE.findall(text.upper())}
    checked = [check for check in map(check_vin, sorted(found)) if check.state is not VinState.MALFORMED]
    return [check for check in checked if check.state is VinState.RIGHT] or checked


def _only_one(numbers: list[VinCheck]) -> VinCheck:
    if not numbers:
        raise NoVin(NO_VIN)
    if len(numbers) > 1:
        several = " and ".join(check.vin for check in numbers[:3])
        raise NoVin(f"The picture shows several numbers: {several}. Take one code alone, or type the right one.")
    return numbers[0]
