"""Words, symptom, codes and platform to procedures, ranked, with reasons. Slips against a plain edit distance."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.accounts.models import User
from shopkb.procedures import publishing
from shopkb.procedures.matching import Offer, alike, folded, offers, tokens
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import HORN_TEXT
from tests.conftest import NOW
from tests.examples import examples


def found(**asked: object) -> list[tuple[str, tuple[str, ...]]]:
    return [(offer.procedure.key, offer.reasons) for offer in offers(**asked)]  # type: ignore[arg-type]


def test_without_a_question_all_in_force_are_offered_by_title(horn: Procedure) -> None:
    assert found() == [("horn-control", ()), ("horn-silent", ())]


def test_a_draft_and_a_withdrawn_procedure_are_not_offered(horn: Procedure, senior: User, second: User) -> None:
    publishing.draft_from(horn.revisions.get(), by=senior, at=NOW)
    publishing.withdraw(horn.revisions.get(number=1), by=second, at=NOW, why="Wrong.")
    assert [key for key, _reasons in found()] == ["horn-control"]


def test_the_symptom_outweighs_the_code_and_the_code_the_words(horn: Procedure, senior: User, second: User) -> None:
    """One of them fits by its words alone, one by its code, one by its symptom: ranked in that order from behind."""
    for key, title, symptom, codes in (
        ("by-words", "Hooter croaks in the wet", "", "[]"),
        ("by-code", "Alarm", "", "[B0902]"),
        ("by-symptom", "Bell", "horn-hoarse", "[]"),
    ):
        text = HORN_TEXT.replace("procedure: horn-silent", f"procedure: {key}").replace("Horn stays silent", title)
        text = text.replace("symptoms: [horn-silent]", f"symptoms: [{symptom}]").replace(
            "codes: [B0900]", f"codes: {codes}"
        )
        builders.put_in_force(text.replace("Halves the circuit at the horn connector.", "x"), senior, second)
    asked = found(words="the hooter croaks when wet", symptom="horn-hoarse", codes=["B0902"])
    assert asked[:3] == [
        ("by-symptom", ("for this symptom", "words: croaks")),
        ("by-code", ("fault code B0902",)),
        ("by-words", ("words: croaks, hooter, wet",)),
    ]


@pytest.mark.parametrize("words", ["The horn is DEAD", "hörn déad", "dead horns", "dead, horn."])
def test_words_are_folded(horn: Procedure, words: str) -> None:
    assert ("horn-silent", (f"words: dead, {'horns' if 'horns' in words else 'horn'}",)) in found(words=words)


@pytest.mark.parametrize("slip", ["silnet", "slent", "silentt", "silemt"])
def test_one_slip_is_forgiven(horn: Procedure, slip: str) -> None:
    """Two letters exchanged, one missing, one too many, one wrong."""
    assert found(words=slip) == [("horn-silent", (f"words: {slip}",))]


@pytest.mark.parametrize("words", ["sinlte", "hron", "brakes squeal", "the of and"])
def test_more_than_a_slip_or_a_slip_in_a_short_word_is_not(horn: Procedure, words: str) -> None:
    expected = [] if tokens(folded(words)) else [("horn-control", ()), ("horn-silent", ())]
    assert found(words=words) == expected


@pytest.mark.parametrize(
    ("part", "hit"), [("B0900", "B0900"), ("B09", "B0900, B0901"), ("901", "B0901"), ("090", "B0900, B0901")]
)
def test_part_of_a_code_finds_it(horn: Procedure, part: str, hit: str) -> None:
    """B0900 stands in the procedure, B0901 in its symptom."""
    assert ("horn-silent", (f"fault code {hit}",)) in found(codes=[part])


@pytest.mark.parametrize("part", ["", "B1", "B2", "P0480"])
def test_too_little_of_a_code_or_another_finds_nothing(horn: Procedure, part: str) -> None:
    assert [key for key, reasons in found(codes=[part]) if reasons] == []


@pytest.mark.parametrize(
    ("platform", "keys"),
    [
        ("curlew/dunlin", ["horn-control", "horn-silent"]),
        ("curlew/dunlin/mk1", ["horn-control", "horn-silent"]),
        ("curlew/dunlin-long", ["horn-silent"]),
        ("curlew", ["horn-control", "horn-silent"]),
        ("godwit/turnstone", ["horn-silent"]),
        ("", ["horn-control", "horn-silent"]),
    ],
)
def test_a_procedure_for_other_platforms_is_left_out(horn: Procedure, platform: str, keys: list[str]) -> None:
    assert [key for key, _reasons in found(platform=platform)] == keys


def test_a_vehicle_whose_engine_is_not_known_is_offered_what_some_of_its_kind_have(horn: Procedure) -> None:
    assert found(symptom="horn-silent", platform="curlew")[0] == (
        "horn-control",
        ("for this symptom", "written for some vehicles of this kind: see its first step"),
    )


def test_written_for_this_platform_ranks_first_and_is_said(horn: Procedure) -> None:
    assert found(symptom="horn-silent", platform="curlew/dunlin") == [
        ("horn-control", ("for this symptom", "written for Dunlin minibus")),
        ("horn-silent", ("for this symptom",)),
    ]


def test_among_equals_the_one_with_more_proven_jobs_comes_first(horn: Procedure, junior: User) -> None:
    builders.cured_job(horn, junior)
    first: Offer = offers(symptom="horn-silent")[0]
    assert (first.procedure.key, first.record.jobs, first.record.verified) == ("horn-silent", 1, 1)


def test_no_more_than_the_limit(horn: Procedure) -> None:
    assert len(offers(limit=1)) == 1


def test_the_number_of_queries_does_not_grow(horn: Procedure, senior: User, second: User) -> None:
    with CaptureQueriesContext(connection) as few:
        offers(words="horn", codes=["B0900"], platform="curlew/dunlin")
    for number in range(6):
        text = HORN_TEXT.replace("procedure: horn-silent", f"procedure: horn-{number}")
        builders.put_in_force(text, senior, second)
    with CaptureQueriesContext(connection) as many:
        assert len(offers(words="horn", codes=["B0900"], platform="curlew/dunlin")) == 8
    assert len(few) == len(many) == 6


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("The horns DON'T work", {"horn", "don", "work"}),
        ("It won't start", {"start"}),
        ("gas bus", {"gas", "bus"}),
        ("Öl P0480!", {"ol", "p0480"}),
        ("and the of", set()),
        ("", set()),
    ],
)
def test_words_of_a_text(text: str, words: set[str]) -> None:
    assert set(tokens(folded(text))) == words


def distance(one: str, other: str) -> int:
    """Restricted Damerau-Levenshtein distance by the textbook's table."""
    rows = [[max(i, j) if 0 in (i, j) else 0 for j in range(len(other) + 1)] for i in range(len(one) + 1)]
    for i in range(1, len(one) + 1):
        for j in range(1, len(other) + 1):
            cost = one[i - 1] != other[j - 1]
            rows[i][j] = min(rows[i - 1][j] + 1, rows[i][j - 1] + 1, rows[i - 1][j - 1] + cost)
            if i > 1 and j > 1 and one[i - 1] == other[j - 2] and one[i - 2] == other[j - 1]:
                rows[i][j] = min(rows[i][j], rows[i - 2][j - 2] + 1)
    return rows[-1][-1]


short = st.text("abc", min_size=1, max_size=8)


@settings(max_examples=examples(400))
@given(short, short)
def test_alike_is_a_distance_of_at_most_one(one: str, other: str) -> None:
    long_enough = min(len(one), len(other)) >= 5
    assert alike(one, other) == (one == other or (long_enough and distance(one, other) <= 1))
    assert alike(one, other) == alike(other, one)
