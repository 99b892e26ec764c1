"""What a value of the catalog must look like. Models, the admin, the tree door and the loader ask here.

Each raises :class:`django.core.exceptions.ValidationError` with one sentence that says what would be right.
"""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation

from django.core.exceptions import ValidationError

from shopkb.core.flow.hazards import HAZARDS
from shopkb.core.readings.units import ReadingError, parse_quantity

KEY = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")  # ISO 15031-6 / SAE J2012: system letter, origin digit, three hex digits


def plain_key(value: object) -> None:
    if not isinstance(value, str) or not KEY.fullmatch(value):
        raise ValidationError(
            f"{value!r} is no key. Write lower-case letters and digits, words joined by single hyphens, "
            "such as horn-relay."
        )


def known_hazards(value: object) -> None:
    if not isinstance(value, list):
        raise ValidationError("Hazards are a list of hazard keys.")
    for hazard in value:
        if not isinstance(hazard, str) or hazard not in HAZARDS:
            raise ValidationError(f"{hazard!r} is no known hazard. Known are: {', '.join(HAZARDS)}.")
    _once(value)


def wordings(value: object) -> None:
    if not isinstance(value, list) or not all(isinstance(word, str) and word.strip() for word in value):
        raise ValidationError("Wordings are a list of texts, none of them empty.")
    _once(value)


def trouble_codes(value: object) -> None:
    if not isinstance(value, list):
        raise ValidationError("Trouble codes are a list.")
    for code in value:
        if not isinstance(code, str) or not CODE.fullmatch(code):
            raise ValidationError(
                f"{code!r} is no trouble code. Write P, C, B or U, a digit from 0 to 3 and three of 0-9 or A-F, "
                "such as P0480."
            )
    _once(value)


ACCURACY_PARTS = ("quantity", "top", "percent", "counts", "resolution")


def accuracies(value: object) -> None:
    """A list of ranges, each ``{quantity: voltage, top: 60 V, percent: 0.1, counts: 2, resolution: 10 mV}``: the
    limit of error is percent of the reading plus counts of the resolution."""
    if not isinstance(value, list) or not value:
        raise ValidationError("A meter needs at least one range.")
    for number, part in enumerate(value, start=1):
        if not isinstance(part, dict) or set(part) != set(ACCURACY_PARTS):
            raise ValidationError(f"Range {number} needs these and nothing else: {', '.join(ACCURACY_PARTS)}.")
        for name in ("top", "resolution"):
            try:
                parse_quantity(str(part[name]), quantity=str(part["quantity"]))
            except ReadingError as fault:
                raise ValidationError(f"Range {number}, {name}: {fault}.") from fault
        for name in ("percent", "counts"):
            if not _is_amount(part[name]):
                raise ValidationError(f"Range {number}, {name}: {part[name]!r} is no number from 0 up, such as 0.5.")


def _is_amount(value: object) -> bool:
    try:
        number = Decimal(str(value))
    except InvalidOperation:
        return False
    return number.is_finite() and number >= 0


def _once(values: list[str]) -> None:
    seen: set[str] = set()
    for value in values:
        if value in seen:
            raise ValidationError(f"{value!r} is listed twice. List it once.")
        seen.add(value)
