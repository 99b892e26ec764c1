"""Every rule of the published table of VIN rules, held against the code with the figures that the rule itself prints.

The table names the source of each rule; other tests hold the tables of values and weights.
"""

from __future__ import annotations

import re
import string

import pytest

from shopkb.core.identifiers import VinState, check_vin
from tests.core.readings.published import rows

RULES = {row["rule"]: row["text"] for row in rows("vin_rules")}
SAMPLE = "1G4AH59H45G118341"
"""The sample of 49 CFR 565, a figure in position 7."""
ALL = string.digits + string.ascii_uppercase


def put(letter: str, place: int, vin: str = SAMPLE) -> str:
    """The number with this character at a place counted from 1."""
    return vin[: place - 1] + letter + vin[place:]


def allowed() -> set[str]:
    return {letter for letter in ALL if check_vin(put(letter, 12)).state is not VinState.MALFORMED}


def left_out(text: str) -> set[str]:
    """The characters that a rule leaves out: those named singly."""
    return set(re.findall(r"\b[A-Z0]\b", text.partition("without")[2] or text.partition("leaves out")[2]))


def test_no_rule_is_left_out() -> None:
    assert set(RULES) == {
        "alphabet", "check_digit", "scope", "weakness", "low_volume",
    }  # fmt: skip


def test_alphabet() -> None:
    length = int(RULES["alphabet"].split()[0])
    assert len(SAMPLE) == length
    assert [check_vin(SAMPLE[:-1]).state, check_vin(f"{SAMPLE}1").state] == [VinState.MALFORMED] * 2
    assert set(ALL) - allowed() == left_out(RULES["alphabet"]) == set("IOQ")


def test_check_digit() -> None:
    modulus = int(re.findall(r"modulo (\d+)", RULES["check_digit"])[0])
    expected = {check_vin(put(letter, 17)).expected for letter in "0123456789"}
    expected |= {check_vin(put(letter, 12)).expected for letter in "0123456789"}
    assert expected <= {str(rest) if rest < 10 else "X" for rest in range(modulus)}
    assert check_vin(put(check_vin(SAMPLE).expected, 9)).state is VinState.RIGHT


def test_scope() -> None:
    """A filler in position 9 cannot be checked and is not refused."""
    assert check_vin(put("Z", 9)).state is VinState.NOT_CHECKABLE


@pytest.mark.parametrize("group", ["AJ1", "BKS2"])
def test_weakness(group: str) -> None:
    assert set(group) <= set(re.findall(r"\b[A-Z0-9]\b", RULES["weakness"].partition("(")[2]))
    assert len({check_vin(put(letter, 12)).expected for letter in group}) == 1


def test_low_volume() -> None:
    """The maker is not read from the number, so a 9 in position 3 changes nothing: the regulator's own outline."""
    assert RULES["low_volume"].startswith("9 in position 3")
    assert check_vin("1J9RP1A36A1644345").state is VinState.RIGHT
