"""What a value of the catalog must look like. Models, the admin, the tree door and the loader ask here.

Each raises :class:`django.core.exceptions.ValidationError` with one sentence that says what would be right.
"""

from __future__ import annotations

from django.core.exceptions import ValidationError

from shopkb.catalog.meter_accuracy import accuracy_value
from shopkb.core.flow.checks.step_hazards import HAZARDS
from shopkb.core.identifiers import IdentifierError, check_key, check_trouble_code
from shopkb.core.readings.quantities import ReadingError


def plain_key(value: object) -> None:
    try:
        check_key(str(value))
    except IdentifierError as fault:
        raise ValidationError(f"{fault}.") from fault


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
        raise ValidationError("Fault codes are a list.")
    for code in value:
        try:
            check_trouble_code(str(code))
        except IdentifierError as fault:
            raise ValidationError(f"{fault}.") from fault
    _once(value)


def accuracies(value: object) -> None:
    if not isinstance(value, list) or not value or not all(isinstance(part, dict) for part in value):
        raise ValidationError("A meter needs a list of ranges, at least one.")
    for number, part in enumerate(value, start=1):
        try:
            accuracy_value(part)
        except ReadingError as fault:
            raise ValidationError(f"Range {number}: {fault}.") from fault


def _once(values: list[str]) -> None:
    seen: set[str] = set()
    for value in values:
        if value in seen:
            raise ValidationError(f"{value!r} is listed twice. List it once.")
        seen.add(value)
