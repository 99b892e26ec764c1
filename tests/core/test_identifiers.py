"""Keys, fault codes and vehicle identification numbers, against published examples."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.identifiers import (
    IdentifierError,
    VinState,
    check_key,
    check_vin,
    parse_trouble_code,
    suggest_key,
)
from tests.core.readings.published import rows

CODE_FORM = "A code is P, C, B or U, a figure from 0 to 3 and three of 0-9 or A-F, as in P0480"
VIN_LETTERS = "".join(row["character"] for row in rows("vin_transliteration"))


@pytest.mark.parametrize("key", ["horn-silent", "a", "3-way-valve", "x" * 60])
def test_keys(key: str) -> None:
    assert check_key(key) == key


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("", "The key is empty. Give one such as horn-silent"),
        ("Horn silent", "'Horn silent' cannot be a key. Use small letters, digits and single hyphens between them, "
         "such as horn-silent"),
        ("horn--silent", "'horn--silent' cannot be a key. Use small letters, digits and single hyphens between them, "
         "such as horn-silent"),
        ("-horn", "'-horn' cannot be a key. Use small letters, digits and single hyphens between them, such as horn"),
        ("horn\n", "'horn' with spaces around it cannot be a key. Use small letters, digits and single hyphens between "
         "them, such as horn"),
        ("ü", "'ü' cannot be a key. Use small letters, digits and single hyphens between them"),
        ("x" * 61, f"The key '{'x' * 37}...' has 61 characters. Shorten it to at most 60"),
    ],
)  # fmt: skip
def test_keys_refused(key: str, words: str) -> None:
    with pytest.raises(IdentifierError) as error:
        check_key(key)
    assert str(error.value) == words


@given(st.text(max_size=200))
def test_a_suggested_key_is_a_key(title: str) -> None:
    suggested = suggest_key(title)
    if suggested:
        assert check_key(suggested) == suggested
    else:
        assert not re.search("[a-z0-9]", title.lower())


# --- fault codes --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("dtc_encoding_examples"), ids=lambda row: row["code"])
def test_published_codes(row: dict[str, str]) -> None:
    # SAE J2012 / ISO 15031-6 structure.
    assert parse_trouble_code(row["code"]) == row["code"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("P4480", f"'P4480' has '4' as its second character. {CODE_FORM}"),
        ("X0480", f"'X0480' starts with 'X'. {CODE_FORM}"),
        ("P048", f"'P048' has 4 characters, a fault code has 5. {CODE_FORM}"),
        ("P04800", f"'P04800' has 6 characters, a fault code has 5. {CODE_FORM}"),
        ("P04G0", f"'P04G0' has 'G', which is not a hexadecimal digit. {CODE_FORM}"),
        ("PO480", "'PO480' has a letter O. Write the figure 0: P0480"),
        ("", f"The fault code is empty. {CODE_FORM}"),
    ],
)
def test_codes_refused(text: str, words: str) -> None:
    with pytest.raises(IdentifierError) as error:
        parse_trouble_code(text)
    assert str(error.value) == words


def test_every_published_bad_code_is_refused_or_folded() -> None:
    # Lower case is folded; everything else in the table is refused.
    for row in rows("dtc_bad_examples"):
        if row["text"] == "p0480":
            assert parse_trouble_code(row["text"]) == "P0480"
        else:
            with pytest.raises(IdentifierError):
                parse_trouble_code(row["text"])


# --- vehicle identification numbers ---------------------------------------------------------------------------------

STATES = {
    "valid": VinState.RIGHT,
    "valid_but_altered": VinState.RIGHT,
    "wrong_check_digit": VinState.WRONG,
    "bad_length": VinState.MALFORMED,
    "bad_character": VinState.MALFORMED,
    "valid_but_nonsense": VinState.MALFORMED,
    "no_check_digit": VinState.NOT_CHECKABLE,
}


@pytest.mark.parametrize("row", rows("vin_examples"), ids=lambda row: row["vin"])
def test_published_vins(row: dict[str, str]) -> None:
    # OC08; 49 CFR 565 samples and made-up faults.
    found = check_vin(row["vin"])
    assert found.state is STATES[row["expected"]]
    if found.state is not VinState.MALFORMED:
        assert found.expected == row["computed_check_digit"]


@pytest.mark.parametrize(
    ("text", "state", "words"),
    [
        ("1G4AH59H45G118341", VinState.RIGHT, "The check digit 4 in position 9 is right"),
        (" 1g4ah59h4-5g118341 ", VinState.RIGHT, "The check digit 4 in position 9 is right"),
        (
            "1G4AH59H45G118314",
            VinState.WRONG,
            "Position 9 holds 4, the other characters ask for 1: look for a mistyped or swapped character. "
            "Vehicles made for markets without a check digit may keep the number as it is",
        ),
        (
            "XAAZZZ99ZTS000001",
            VinState.NOT_CHECKABLE,
            "Position 9 holds Z, which is no check digit: this number cannot be checked. Compare it by eye",
        ),
        ("1G4AH59H45GI18341", VinState.MALFORMED, "Position 12 holds I, which is never used: it may be the figure 1"),
        ("1G4AH59H45GO18341", VinState.MALFORMED, "Position 12 holds O, which is never used: it may be the figure 0"),
        ("1G4AH59H45G118", VinState.MALFORMED, "The number has 14 characters, a vehicle identification number has 17"),
        (
            "1G4AH59H45G1183é1",
            VinState.MALFORMED,
            "Position 16 holds 'é': only figures and letters without I, O and Q are used",
        ),
        ("", VinState.MALFORMED, "The number is empty: give all 17 characters"),
        (
            "0" * 17,
            VinState.MALFORMED,
            "Seventeen times 0 is no vehicle, even where the arithmetic fits: read the number from the vehicle",
        ),
        ("1" * 17, VinState.RIGHT, "The check digit is right, but seventeen ones are a test pattern"),
    ],
)
def test_vin_words(text: str, state: VinState, words: str) -> None:
    found = check_vin(text)
    assert (found.state, found.words) == (state, words)


@given(st.text(max_size=40))
def test_any_text_is_a_vin_or_malformed(text: str) -> None:
    found = check_vin(text)
    assert found.words
    assert (found.expected == "") == (found.state is VinState.MALFORMED)


@given(
    st.lists(st.sampled_from(VIN_LETTERS), min_size=17, max_size=17), st.integers(0, 16), st.sampled_from(VIN_LETTERS)
)
def test_a_changed_character_is_seen_unless_its_value_is_the_same(letters: list[str], place: int, other: str) -> None:
    # The digit computed from the published values and weights; no weight shares a factor with 11.
    values = {row["character"]: int(row["value"]) for row in rows("vin_transliteration")}
    weights = [int(row["weight"]) for row in rows("vin_weights")]
    letters[8] = "0123456789X"[
        sum(values[letter] * weight for letter, weight in zip(letters, weights, strict=True)) % 11
    ]
    right = check_vin("".join(letters))
    if len(set(letters)) > 1:
        assert right.state is VinState.RIGHT
    changed = [*letters[:place], other, *letters[place + 1 :]]
    if place != 8 and len(set(changed)) > 1:
        same = values[other] == values[letters[place]]
        assert (check_vin("".join(changed)).state is VinState.RIGHT) == same
