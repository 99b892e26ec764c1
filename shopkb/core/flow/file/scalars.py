"""The kinds of single value a procedure file holds, each with its form, its limit and what to say when it is wrong.

Each ``...Field`` is a pydantic field type: it takes the text that stands in the file and gives the value the flow
needs. A wrong one raises :class:`pydantic_core.PydanticCustomError` of type :data:`OURS`, whose context carries our
own finding id, message and hint.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from difflib import get_close_matches
from enum import StrEnum
from types import MappingProxyType
from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from shopkb.core.circuit.parts import PartKind
from shopkb.core.flow.circuit_forms import (
    POINT_FORM,
    Defect,
    Join,
    Setting,
    Spread,
    parse_defect,
    parse_join,
    parse_setting,
    parse_spread,
)
from shopkb.core.flow.fields import Kind
from shopkb.core.flow.model import Proof, TestKind, Usual
from shopkb.core.identifiers import CODE_FORM, KEY_FORM, LONGEST_KEY, NAME_FORM, PATH_FORM
from shopkb.core.readings.bands import Band, parse_band
from shopkb.core.readings.expressions import Expression, parse_expression, tidy
from shopkb.core.readings.parsing import find_unit, parse_quantity
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import QUANTITIES
from shopkb.core.typed_text import name_character, quoted, spoken_list

OURS = "ours"

PATH_LIMIT = 255
LINE_LIMIT = 120
BAND_LIMIT = 200
TEXT_LIMIT = 2_000
"""Longest running text, in characters: rendering Markdown grows with the square of it."""

NUMBER_FORM = r"(?:0|[1-9][0-9]{0,8})(?:\.[0-9]{1,24})?"
GO_FORM = rf"(?:{KEY_FORM}|hand-over {KEY_FORM}|out)"

RESERVED_KEYS = frozenset({"out", "hand-over"})
"""Words that ``go`` needs for itself, so neither a step nor a cause can be called so."""

_UNWANTED = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")


def unwanted_character(text: str) -> re.Match[str] | None:
    """The first character that no text may hold: controls other than tab and line ends, lone surrogates."""
    return _UNWANTED.search(text)


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """``Did you mean 'title'? `` (with the space), or nothing when no known word is near."""
    if len(word) > LONGEST_KEY:
        return ""
    near = get_close_matches(word.strip().lower(), list(known), n=1, cutoff=0.6)
    return f"Did you mean '{near[0]}'? " if near else ""


def wrong(kind: str, message: str, hint: str) -> PydanticCustomError:
    """An error that keeps our own finding id, message and hint."""
    return PydanticCustomError(OURS, "{message}", {"id": kind, "message": message, "hint": hint})


def _form(kind: str, form: str, limit: int, noun: str, hint: str) -> Callable[[str], str]:
    pattern = re.compile(form)

    def check(text: str) -> str:
        if not pattern.fullmatch(text):
            raise wrong(kind, f"{quoted(text)} is not {noun}", hint)
        if len(text) > limit:
            raise wrong("field-too-long", f"The text has {len(text)} characters", f"Use at most {limit}.")
        return text

    return check


def _schema(form: str, limit: int) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "pattern": f"^{form}$", "maxLength": limit})


_KEY_HINT = "Use lower-case letters, digits and single hyphens, a letter first, such as relay-contacts."
_PATH_HINT = "Use keys joined by slashes, such as body/horn."
_check_key = _form("field-key", KEY_FORM, LONGEST_KEY, "a key", _KEY_HINT)


def _node_key(text: str) -> str:
    if text in RESERVED_KEYS:
        raise wrong("field-key", f"'{text}' cannot be a key here: go needs the word", "Choose another key.")
    return _check_key(text)


def _name(text: str) -> str:
    checked = _check_name(text)
    try:
        find_unit(checked)
    except ReadingError:
        return checked
    raise wrong("field-key", f"{quoted(text)} is a unit, so no value can have it as its name", "Choose a longer name.")


_check_name = _form(
    "field-key",
    NAME_FORM,
    LONGEST_KEY,
    "a name for a value",
    "Use lower-case letters, digits and single underscores, a letter first, such as feed_drop.",
)


def _words(limit: int, *, lines: bool = False, needed: bool = True) -> Callable[[str], str]:
    def check(text: str) -> str:
        if bad := unwanted_character(text):
            character = name_character(bad.group())
            raise wrong("field-character", f"The text holds {character}, which cannot be shown", "Remove it.")
        if len(text) > limit:
            raise wrong("field-too-long", f"The text has {len(text)} characters", f"Use at most {limit}.")
        if not lines and len(text.splitlines()) > 1:
            raise wrong("field-text", "The text runs over several lines", "Write it in one line.")
        if needed and not text.strip():
            raise wrong("field-text", "The text is empty", "Write at least one word, or leave the field out.")
        return text

    return check


def _number(highest: int) -> Callable[[object], object]:
    pattern = re.compile(NUMBER_FORM)

    def check(given: object) -> object:
        if not isinstance(given, str):
            raise wrong("field-number", f"A number is needed, not {what(given)}", "Write digits, such as 4 or 2.5.")
        if "," in given and pattern.fullmatch(given.replace(",", ".", 1)):
            raise wrong("field-number", f"{quoted(given)} has a comma", f"Write {given.replace(',', '.', 1)}.")
        if not pattern.fullmatch(given):
            raise wrong("field-number", f"{quoted(given)} is not a number from 0 up", "Write digits, such as 4 or 2.5.")
        if float(given) > highest:
            raise wrong("field-number", f"{given} is too high", f"Use at most {highest}.")
        return float(given)

    return check


def _truth(given: object) -> object:
    if given in ("true", "false"):
        return given == "true"
    raise wrong("field-choice", f"{_first_capital(what(given))} is neither true nor false", "Write true or false.")


E = TypeVar("E", bound=StrEnum)


def _choice(kind: type[E], noun: str) -> Callable[[object], object]:
    known = [str(member) for member in kind]

    def check(given: object) -> object:
        if given in known:
            return kind(str(given))
        near = did_you_mean(given, known) if isinstance(given, str) else ""
        raise wrong("field-choice", f"{_first_capital(what(given))} is not {noun}", f"{near}Use {spoken_list(known)}.")

    return check


def what(given: object) -> str:
    """What stands in the file, in words."""
    if isinstance(given, str):
        return quoted(given) if given.strip() else "an empty text"
    if isinstance(given, dict):
        return "a group of fields"
    return "a list" if isinstance(given, list) else "an empty place"


def _first_capital(words: str) -> str:
    return words[:1].upper() + words[1:]


T = TypeVar("T")


def _parsed(kind: str, noun: str, parse: Callable[[str], T]) -> Callable[[object], T]:
    def check(given: object) -> T:
        if not isinstance(given, str):
            raise wrong(kind, f"{noun.capitalize()} is needed, not {what(given)}", f"Write {noun} as a text.")
        if len(given) > BAND_LIMIT:
            raise wrong("field-too-long", f"The text has {len(given)} characters", f"Use at most {BAND_LIMIT}.")
        try:
            return parse(given)
        except ReadingError as error:
            raise wrong(kind, error.message, _stopped(error.hint)) from None

    return check


def _stopped(sentence: str) -> str:
    return sentence if sentence.endswith((".", "?")) or not sentence else f"{sentence}."


def _quantity_name(text: str) -> str:
    if text not in QUANTITIES:
        hint = f"{did_you_mean(text, QUANTITIES)}Use {spoken_list(QUANTITIES)}."
        raise wrong("field-choice", f"{_first_capital(what(text))} is not a quantity", hint)
    return text


def _unit_symbol(text: str) -> str:
    return find_unit(text).symbol


def _quantity(text: str) -> Quantity:
    return parse_quantity(text)


def _band(text: str) -> Band:
    band = parse_band(text)
    if len(band.text()) > BAND_LIMIT:  # its canonical text is what is written, and must be readable again
        raise ReadingError("The band is too long", f"Use at most {BAND_LIMIT} characters")
    return band


def _amount(text: str) -> Expression:
    return parse_expression(tidy(text), text)


_check_code = _form(
    "field-code", CODE_FORM, 5, "a fault code", "Use P, C, B or U, a digit 0 to 3 and three more, such as P0480."
)
_check_go = _form(
    "field-go",
    GO_FORM,
    2 * LONGEST_KEY,
    "a place to go",
    "Use the key of a step or cause, hand-over PROCEDURE, or out.",
)
_check_path = _form("field-path", PATH_FORM, PATH_LIMIT, "a path", _PATH_HINT)

KeyField = Annotated[str, AfterValidator(_check_key), _schema(KEY_FORM, LONGEST_KEY)]
NodeKeyField = Annotated[str, AfterValidator(_node_key), _schema(KEY_FORM, LONGEST_KEY)]
NameField = Annotated[str, AfterValidator(_name), _schema(NAME_FORM, LONGEST_KEY)]
PathField = Annotated[str, AfterValidator(_check_path), _schema(PATH_FORM, PATH_LIMIT)]
CodeField = Annotated[str, AfterValidator(_check_code), _schema(CODE_FORM, 5)]
GoField = Annotated[str, AfterValidator(_check_go), _schema(GO_FORM, 2 * LONGEST_KEY)]
LineField = Annotated[str, AfterValidator(_words(LINE_LIMIT)), Field(json_schema_extra={"maxLength": LINE_LIMIT})]
ProseField = Annotated[
    str,
    AfterValidator(_words(TEXT_LIMIT, lines=True, needed=False)),
    Field(json_schema_extra={"maxLength": TEXT_LIMIT}),
]
MinutesField = Annotated[float, BeforeValidator(_number(10_000)), Field(json_schema_extra={"minimum": 0})]
PriceField = Annotated[float, BeforeValidator(_number(1_000_000)), Field(json_schema_extra={"minimum": 0})]
TruthField = Annotated[bool, BeforeValidator(_truth)]
TestField = Annotated[TestKind, BeforeValidator(_choice(TestKind, "a kind of test"))]
UsualField = Annotated[Usual, BeforeValidator(_choice(Usual, "a word for how usual a cause is"))]
ProofField = Annotated[Proof, BeforeValidator(_choice(Proof, "a proof"))]
QuantityNameField = Annotated[
    str, AfterValidator(_quantity_name), WithJsonSchema({"type": "string", "enum": sorted(QUANTITIES)})
]
UnitField = Annotated[
    str,
    PlainValidator(_parsed("field-unit", "a unit", _unit_symbol)),
    WithJsonSchema({"type": "string", "description": "a unit such as V, mV, ohm, degC, kPa"}),
]
QuantityField = Annotated[
    Quantity,
    PlainValidator(_parsed("field-quantity", "a number with its unit", _quantity)),
    WithJsonSchema({"type": "string", "description": "a number with its unit, such as 12.6 V"}),
]
BandField = Annotated[
    Band,
    PlainValidator(_parsed("field-band", "a band", _band)),
    WithJsonSchema({"type": "string", "description": 'such as "< 1 V", "1 V .. battery - drop * 1.3", over-limit'}),
]

_check_point = _form(
    "field-key",
    POINT_FORM,
    LONGEST_KEY,
    "a point",
    "Use lower-case letters, digits and single hyphens, a letter first, such as fan-plug or battery+.",
)
PointField = Annotated[str, AfterValidator(_check_point), _schema(POINT_FORM, LONGEST_KEY)]
PartKindField = Annotated[PartKind, BeforeValidator(_choice(PartKind, "a kind of part"))]
AmountField = Annotated[
    Expression,
    PlainValidator(_parsed("field-amount", "a size", _amount)),
    WithJsonSchema({"type": "string", "description": 'such as "12.6 V", "battery" or "rated_current * 0.5"'}),
]
SpreadField = Annotated[
    Spread,
    PlainValidator(_parsed("field-spread", "a spread", parse_spread)),
    WithJsonSchema({"type": "string", "description": '"10 %" or "0 mohm .. 8 mohm"'}),
]
JoinField = Annotated[
    Join,
    PlainValidator(_parsed("field-join", "two points", parse_join)),
    WithJsonSchema({"type": "string", "description": '"battery+ to feed", "feed to battery- by 6 ohm"'}),
]
SettingField = Annotated[
    Setting,
    PlainValidator(_parsed("field-setting", "a switch and its state", parse_setting)),
    WithJsonSchema({"type": "string", "pattern": f"^{KEY_FORM} (closed|open)$"}),
]
DefectField = Annotated[
    Defect,
    PlainValidator(_parsed("field-defect", "a way to fail", parse_defect)),
    WithJsonSchema({"type": "string", "description": '"open", "series 50 mohm .. open", "value 2 ohm .. 5 ohm"'}),
]

FIELD_TYPES: Mapping[Kind, Any] = MappingProxyType(
    {
        Kind.POINT: PointField,
        Kind.PART_KIND: PartKindField,
        Kind.AMOUNT: AmountField,
        Kind.SPREAD: SpreadField,
        Kind.JOIN: JoinField,
        Kind.SETTING: SettingField,
        Kind.DEFECT: DefectField,
        Kind.KEY: KeyField,
        Kind.NODE_KEY: NodeKeyField,
        Kind.LINE: LineField,
        Kind.PROSE: ProseField,
        Kind.PATH: PathField,
        Kind.CODE: CodeField,
        Kind.MINUTES: MinutesField,
        Kind.PRICE: PriceField,
        Kind.TRUTH: TruthField,
        Kind.TEST: TestField,
        Kind.USUAL: UsualField,
        Kind.PROOF: ProofField,
        Kind.QUANTITY_NAME: QuantityNameField,
        Kind.QUANTITY: QuantityField,
        Kind.UNIT: UnitField,
        Kind.BAND: BandField,
        Kind.GO: GoField,
    }
)
"""The pydantic type of each kind of single value."""
