"""Identifiers typed by people: keys, diagnostic trouble codes, vehicle identification numbers.

Sources: SAE J2012 / ISO 15031-6 for fault codes; 49 CFR 565 and ISO 3779 for vehicle identification numbers.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from shopkb.core.typed_text import TypedTextError, quoted

LONGEST_KEY = 60
"""Characters of the longest key; no column for keys is shorter."""

KEY_FORM = r"[a-z][a-z0-9]*(?:-[a-z0-9]+)*"
"""A key in a procedure: of the procedure itself, a step, an outcome, a cause."""
PART_FORM = r"[a-z0-9]+(?:-[a-z0-9]+)*"
"""A key in the catalog: it may begin with a digit, as engines and models do."""
PATH_FORM = rf"{PART_FORM}(?:/{PART_FORM})*"
NAME_FORM = r"[a-z][a-z0-9]*(?:_[a-z0-9]+)*"
"""The name of a value in bands."""
CODE_FORM = r"[PCBU][0-3][0-9A-F]{3}"
"""ISO 15031-6: system letter, 0 to 3, three hexadecimal digits."""

_LETTERS = "PCBU"
_CODE = re.compile(CODE_FORM)

_VIN_VALUES = dict(zip("0123456789ABCDEFGHJKLMNPRSTUVWXYZ", map(int, "012345678912345678123457923456789"), strict=True))
_VIN_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_DIGITS = "0123456789X"


class IdentifierError(TypedTextError):
    """A typed identifier that cannot be used."""


def check_key(text: str) -> str:
    """A key in the catalog, unchanged: lower case letters, digits and single hyphens, at most 60 characters.

    Raises:
        IdentifierError: it has another form.
    """
    if not text:
        raise IdentifierError("The key is empty", "Give one such as horn-silent")
    if len(text) > LONGEST_KEY:
        raise IdentifierError(
            f"The key {quoted(text)} has {len(text)} characters", f"Shorten it to at most {LONGEST_KEY}"
        )
    if not re.fullmatch(PART_FORM, text):
        suggestion = suggest_key(text)
        hint = "Use small letters, digits and single hyphens between them" + (
            f", such as {suggestion}" if suggestion else ""
        )
        around = " with spaces around it" if text != text.strip() else ""
        raise IdentifierError(f"{quoted(text)}{around} cannot be a key", hint)
    return text


def is_within(path: str, ancestor: str) -> bool:
    """Whether ``path`` is ``ancestor`` or stands below it; the empty path is above all."""
    return not ancestor or path == ancestor or path.startswith(ancestor + "/")


def suggest_key(text: str) -> str:
    """The nearest key to a title: ``Press the horn!`` gives ``press-the-horn``; empty if no letter or digit is left."""
    words = re.findall("[a-z0-9]+", text.lower())
    key = ""
    for word in words:
        longer = f"{key}-{word}" if key else word[:LONGEST_KEY]
        if len(longer) > LONGEST_KEY:
            break
        key = longer
    return key


def check_trouble_code(text: str) -> str:
    """A diagnostic trouble code as SAE J2012 / ISO 15031-6 write it, such as ``P0480``, unchanged.

    Raises:
        IdentifierError: it is not one; the message says which character is wrong.
    """
    if not _CODE.fullmatch(text):
        raise _code_error(text)
    return text


def parse_trouble_code(text: str) -> str:
    """The code somebody typed. Lower case is folded to upper case, spaces around it are dropped; nothing else is.

    Raises:
        IdentifierError: it is not a fault code; the message says which character is wrong.
    """
    return check_trouble_code(text.strip().upper() if text.isascii() else text.strip())


def _code_error(text: str) -> IdentifierError:
    right = "A code is P, C, B or U, a figure from 0 to 3 and three of 0-9 or A-F, as in P0480"
    if not text:
        return IdentifierError("The fault code is empty", right)
    if len(text) != 5:
        return IdentifierError(f"{quoted(text)} has {len(text)} characters, a fault code has 5", right)
    if text[0] not in _LETTERS:
        return IdentifierError(f"{quoted(text)} starts with {quoted(text[0])}", right)
    if "O" in text[1:]:
        return IdentifierError(
            f"{quoted(text)} has a letter O", f"Write the figure 0: {text[0]}{text[1:].replace('O', '0')}"
        )
    if text[1] not in "0123":
        return IdentifierError(f"{quoted(text)} has {quoted(text[1])} as its second character", right)
    wrong = next(letter for letter in text[2:] if letter not in "0123456789ABCDEF")
    return IdentifierError(f"{quoted(text)} has {quoted(wrong)}, which is not a hexadecimal digit", right)


class VinState(StrEnum):
    """What the check digit says of a vehicle identification number."""

    RIGHT = "right"
    WRONG = "wrong"
    NOT_CHECKABLE = "not checkable"
    MALFORMED = "malformed"


@dataclass(frozen=True, slots=True)
class VinCheck:
    """A checked VIN: ``vin`` tidied, ``expected`` the check digit worked out ("" if malformed), and words."""

    vin: str
    state: VinState
    expected: str
    words: str


def check_vin(text: str) -> VinCheck:
    """Check a vehicle identification number by its check digit (49 CFR 565).

    Lower case is folded, spaces and hyphens are dropped. Outside the United States and Canada position 9 need not be
    a check digit (ISO 3779): a letter other than X there is not checkable, and a wrong figure is a reason to look
    again, never to refuse. A right digit proves little: characters of equal value (A, J and 1) can be exchanged.
    """
    vin = re.sub(r"[\s-]", "", text).upper() if text.isascii() else text.strip()
    problem = _vin_problem(vin)
    if problem:
        return VinCheck(vin, VinState.MALFORMED, "", problem)
    expected = _DIGITS[sum(_VIN_VALUES[letter] * weight for letter, weight in zip(vin, _VIN_WEIGHTS, strict=True)) % 11]
    found = vin[8]
    if found not in _DIGITS:
        words = f"Position 9 holds {found}, which is no check digit: this number cannot be checked. Compare it by eye"
        return VinCheck(vin, VinState.NOT_CHECKABLE, expected, words)
    if vin == "1" * 17:
        return VinCheck(
            vin, VinState.RIGHT, expected, "The check digit is right, but seventeen ones are a test pattern"
        )
    if found == expected:
        return VinCheck(vin, VinState.RIGHT, expected, f"The check digit {found} in position 9 is right")
    words = (
        f"Position 9 holds {found}, the other characters ask for {expected}: look for a mistyped or swapped character. "
        "Vehicles made for markets without a check digit may keep the number as it is"
    )
    return VinCheck(vin, VinState.WRONG, expected, words)


def _vin_problem(vin: str) -> str:
    """Why the text cannot be a VIN, as a sentence; empty if it can."""
    if not vin:
        return "The number is empty: give all 17 characters"
    if len(vin) != 17:
        return f"The number has {len(vin)} characters, a vehicle identification number has 17"
    for place, letter in enumerate(vin, start=1):
        if letter in "IOQ":
            instead = "the figure 1" if letter == "I" else "the figure 0"
            return f"Position {place} holds {letter}, which is never used: it may be {instead}"
        if letter not in _VIN_VALUES:
            return f"Position {place} holds {quoted(letter)}: only figures and letters without I, O and Q are used"
    if len(set(vin)) == 1 and vin[0] != "1":
        return (
            f"Seventeen times {vin[0]} is no vehicle, even where the arithmetic fits: read the number from the vehicle"
        )
    return ""
