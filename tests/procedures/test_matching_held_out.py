"""Each wording of the shipped catalog is left out in turn and looked for, beside TF-IDF of scikit-learn.

What customers say is never worded as the catalog words it. A wording that its own symptom no longer holds stands for
that: the procedure it belongs to should be among the first three.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML
from sklearn.feature_extraction.text import TfidfVectorizer

from shopkb.procedures.matching import CLOSE, Texts, Vocabulary, folded, has_wording, words_fit
from tests.conftest import FLOWS, STARTER

FIRST = 3


@cache
def sheet(name: str) -> list[dict[str, Any]]:
    return list(YAML(typ="safe").load((STARTER / name).read_text(encoding="utf-8")))


@cache
def procedures() -> dict[str, dict[str, Any]]:
    flows = [YAML(typ="safe").load(path.read_text(encoding="utf-8")) for path in sorted(Path(FLOWS).glob("*.yaml"))]
    return {flow["procedure"]: flow for flow in flows}


@cache
def reading() -> Vocabulary:
    """Words of one group made the same; nothing known of how rare they are."""
    pairs = [(folded(word), folded(row["words"][0])) for row in sheet("other-words.yaml") for word in row["words"][1:]]
    return Vocabulary(tuple(sorted(pairs, key=lambda pair: -len(pair[0]))), {}, {})


def phrases(without: tuple[str, str]) -> dict[str, list[str]]:
    """Title, symptoms and wordings of each procedure, but for one wording of one symptom."""
    symptoms = {row["key"]: row for row in sheet("symptoms.yaml")}
    found = {}
    for key, flow in procedures().items():
        own = [symptoms[name] for name in flow.get("symptoms") or []]
        words = [word for row in own for word in row["words"] if (row["key"], word) != without]
        found[key] = [flow["title"], *(row["name"] for row in own), *words]
    return found


def shelf(without: tuple[str, str]) -> tuple[dict[str, Texts], Vocabulary]:
    texts = {
        key: Texts(
            tuple(found for phrase in told if (found := frozenset(reading().tokens(phrase)))),
            frozenset(reading().tokens(procedures()[key].get("summary") or "")),
            {},
        )
        for key, told in phrases(without).items()
    }
    used: dict[str, int] = {}
    for each in texts.values():
        for word in each.summary.union(*each.wordings):
            used[word] = used.get(word, 0) + 1
    return texts, Vocabulary(reading().same, texts, used)


def ours(asked: str, without: tuple[str, str]) -> list[tuple[float, str]]:
    texts, vocabulary = shelf(without)
    return [(words_fit(vocabulary, vocabulary.tokens(asked), each)[0], key) for key, each in texts.items()]


def tf_idf(asked: str, without: tuple[str, str]) -> list[tuple[float, str]]:
    told = {key: " ".join([*each, procedures()[key].get("summary") or ""]) for key, each in phrases(without).items()}
    reader = TfidfVectorizer(analyzer=lambda text: list(reading().tokens(text)))
    fits = (reader.fit_transform(told.values()) @ reader.transform([asked]).T).toarray().ravel()
    return list(zip(fits.tolist(), told, strict=True))


def among_the_first(rank: Any) -> float:
    hits, all_wordings = 0, 0
    for row in sheet("symptoms.yaml"):
        right = {key for key, flow in procedures().items() if row["key"] in (flow.get("symptoms") or [])}
        for word in row["words"] if right else ():
            ranked = sorted((one for one in rank(word, (row["key"], word)) if one[0] > 0), reverse=True)
            hits += bool(right.intersection(key for _fit, key in ranked[:FIRST]))
            all_wordings += 1
    return hits / all_wordings


def test_a_wording_nobody_wrote_down_still_finds_its_procedure() -> None:
    found = among_the_first(ours)
    assert found >= 0.8
    assert found > among_the_first(tf_idf)


NOTHING = ("", "")


def best(asked: str) -> list[str]:
    return [key for fit, key in sorted(ours(asked, NOTHING), reverse=True) if fit >= CLOSE]


def test_a_title_or_a_wording_typed_in_full_finds_its_procedure_first() -> None:
    for key, flow in procedures().items():
        assert best(flow["title"])[0] == key, flow["title"]


@pytest.mark.parametrize(
    ("asked", "key"),
    [
        ("aircon not cold", "air-conditioning-not-cold"),
        ("a/c blows warm", "air-conditioning-not-cold"),
        ("generator not charging", "charging-low"),
        ("the ramp won't work", "trailer-or-lift-dead"),
        ("runs hot in traffic, radiator fan silent", "overheats-fan-silent"),
    ],
)
def test_other_words_of_customers_and_of_the_trade(asked: str, key: str) -> None:
    assert key in [found for _fit, found in sorted(ours(asked, NOTHING), reverse=True)[:2]]


@pytest.mark.parametrize("asked", ["again after two", "it just did it by itself", "airbag light, and a smell"])
def test_filler_words_and_a_complaint_nobody_wrote_for_find_nothing_close(asked: str) -> None:
    assert best(asked) == []


@pytest.mark.parametrize(
    ("asked", "key"),
    [
        ("It ran hot and dropped its coolant. Standing in the queue at the ferry.", "overheats-fan-silent"),
        ("Heater fan only on top speed since Monday, smelt of burning.", "blower-only-top-speed"),
        ("On cold mornings in the yard nothing happens on the key, then after lunch it goes.", "starter-does-not-turn"),
    ],
)
def test_a_long_complaint_that_holds_a_wording_is_close(asked: str, key: str) -> None:
    texts, vocabulary = shelf(NOTHING)
    assert has_wording(vocabulary, vocabulary.tokens(asked), texts[key])
    assert [found for found, each in texts.items() if has_wording(vocabulary, {"airbag": "", "lamp": ""}, each)] == []
