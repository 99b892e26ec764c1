"""Complaint, symptom, fault codes and platform to procedures, ranked, each with the reasons why it fits."""

from __future__ import annotations

import math
import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import islice
from types import MappingProxyType
from typing import Any

import snowballstemmer
from rapidfuzz.distance import OSA

from shopkb.catalog.models import OtherWords
from shopkb.core.identifiers import is_within
from shopkb.evidence.procedure_record import ProcedureRecord, records
from shopkb.procedures.models import Procedure

SYMPTOM, CODE, WORDS, OWN_PLATFORM = 10.0, 6.0, 5.0, 1.0
"""What each kind of fit counts for, words where all of them fit. Our choice: a chosen symptom outweighs a code, a code
outweighs words."""

PHRASE, ANY_PHRASE, SUMMARY = 0.5, 0.5, 0.15
"""Parts of the fit of words: with the wording that fits best, with all wordings together, with the summary alone. Set
by leaving out each of the catalog's own wordings in turn and looking for it
(``tests/procedures/test_matching_held_out.py``)."""

OTHER_THAN_TITLE = 0.9
"""What a wording of a symptom counts for beside the title: several procedures share a symptom."""

CLOSE = 0.5
"""Words that fit less than this share a word or two and no more; the page says so."""

MOST_WORDS = 60
"""Words of a complaint that are looked for, from its beginning."""

HELD = 0.75
"""A wording of which this share, by rarity, stands in the complaint is in it."""

LEAST_FIT = 0.1
"""Words that fit less than this are no reason to offer a procedure."""

PART_OF_CODE = 3
"""Letters and figures a part of a fault code must have before it is searched for."""

_FILLER = (
    "a about after again all also am an and any are as at be been before being but by can could did do does doing done "
    "down for from get gets getting goes going got had has have he her his how i if in into is it its itself just like "
    "me my myself now of on one onto or our please right she should so some sometimes than that the their them then "
    "there these they thing this those through to too two us very want was we went were what when where which while "
    "who why will with won would you your"
)
FILLER = frozenset(_FILLER.split())
"""Words of a complaint that say nothing about the fault. ``off``, ``not`` and ``never`` do."""

_stem = cache(snowballstemmer.stemmer("english").stemWord)


@dataclass(frozen=True, slots=True)
class Offer:
    """A procedure that may fit, why, and what closed jobs say of it. ``close``: for its symptom, a code, or most of the
    words; otherwise it shares a word or two and no more."""

    procedure: Procedure
    score: float
    reasons: tuple[str, ...]
    record: ProcedureRecord
    close: bool = True


@dataclass(frozen=True, slots=True)
class Found:
    """What a search came to. ``unfamiliar`` are the words that no procedure in force speaks of, as they were typed."""

    offers: tuple[Offer, ...]
    unfamiliar: tuple[str, ...] = ()

    @property
    def nothing_close(self) -> bool:
        return not any(offer.close for offer in self.offers)


def offers(**asked: Any) -> list[Offer]:
    """The procedures of :func:`search` alone."""
    return list(search(**asked).offers)


def search(
    *,
    words: str = "",
    symptom: str = "",
    codes: Sequence[str] = (),
    platform: str = "",
    system: str = "",
    proven: Mapping[str, Sequence[str]] = MappingProxyType({}),
    limit: int = 20,
) -> Found:
    """Procedures in force that fit, best first; among equals the one with more proven jobs.

    ``platform`` is a path in the platform tree: a procedure written for other platforms only is left out; one written
    for some below it (of a vehicle whose engine nobody took down) is offered and says so. ``system`` is one in the
    systems tree: only procedures of it and below are offered. ``proven`` gives causes that proved right, in words, by
    procedure; the customer's words, or a technician's, may mean one of these. Without words, symptom or codes all
    procedures are offered. A pinned number of queries, whatever the number of procedures.
    """
    published = list(Procedure.objects.published().for_list())
    vocabulary = Vocabulary.of(published, OtherWords.objects.values_list("words", flat=True), proven)
    asked = dict(islice(vocabulary.tokens(words).items(), MOST_WORDS))
    found = []
    for procedure in published:
        fits, platform_reason = _platform_fit(procedure, platform)
        if not fits or not is_within(procedure.system.path, system):
            continue
        score, close, reasons = _fit(procedure, vocabulary, asked, symptom, codes, typed=bool(words.strip()))
        if score == 0 and (asked or symptom or codes):
            continue
        if platform_reason:
            score, reasons = score + OWN_PLATFORM, [*reasons, platform_reason]
        found.append((procedure, score, tuple(reasons), close))
    known = records([procedure.key for procedure, *_rest in found])
    ranked = [Offer(row, score, why, known.get(row.key, ProcedureRecord()), close) for row, score, why, close in found]
    ranked.sort(key=lambda offer: (-round(offer.score, 6), -offer.record.verified, offer.procedure.title))
    return Found(tuple(ranked[:limit]), vocabulary.unfamiliar(asked))


def lacks_kind(platform: str) -> bool:
    """Whether procedures in force are written for platforms, but none for any in the tree that this path stands in: a
    model of which nobody has said what kind of vehicle it is. One query."""
    rows = Procedure.objects.published().filter(platforms__isnull=False).order_by()
    tops = {path.partition("/")[0] for path in rows.values_list("platforms__path", flat=True).distinct()}
    return bool(tops) and platform.partition("/")[0] not in tops


def folded(text: str) -> str:
    """Lower case, accents off, everything but letters and figures as single blanks."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return " ".join(re.findall(r"[a-z0-9]+", plain))


def tokens(text: str) -> dict[str, str]:
    """Stems of the words of a folded text, each with the word it came from; filler words and single letters are left
    out. Stems by the Snowball stemmer for English."""
    return {_stem(word): word for word in text.split() if len(word) > 1 and word not in FILLER}


def alike(one: str, other: str) -> bool:
    """Whether two words are the same but for one slip: a letter wrong, missing, added, or two exchanged.

    Words under five letters must be equal. (Optimal string alignment distance of at most 1.)
    """
    if min(len(one), len(other)) < 5:
        return one == other
    return bool(OSA.distance(one, other, score_cutoff=1) <= 1)


@dataclass(frozen=True, slots=True)
class Texts:
    """What a procedure says of itself: title, symptoms and their wordings, and causes it proved, each a set of stems;
    and its summary."""

    wordings: tuple[frozenset[str], ...]
    summary: frozenset[str]
    causes: Mapping[str, frozenset[str]]


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """The words of all procedures in force: how rare each is, and which mean the same.

    ``same`` gives for each folded phrase the one that stands for its group, longest first.
    """

    same: tuple[tuple[str, str], ...]
    texts: Mapping[str, Texts]
    used_by: Mapping[str, int]

    @classmethod
    def of(
        cls, procedures: Sequence[Procedure], groups: Iterable[Sequence[str]], proven: Mapping[str, Sequence[str]]
    ) -> Vocabulary:
        pairs = [(folded(word), folded(group[0])) for group in groups for word in group[1:]]
        pairs = [pair for pair in pairs if all(pair)]  # words of another script fold to nothing
        same = tuple(sorted(pairs, key=lambda pair: -len(pair[0])))
        reading = cls(same, {}, {})
        texts = {row.key: reading._texts(row, proven.get(row.key, ())) for row in procedures}
        used = Counter(word for each in texts.values() for word in each.summary.union(*each.wordings))
        return cls(same, texts, used)

    def tokens(self, text: str) -> dict[str, str]:
        """As :func:`tokens`, with words of one group made the same."""
        plain = f" {folded(text)} "
        for word, stands_for in self.same:
            plain = plain.replace(f" {word} ", f" {stands_for} ")
        return tokens(plain)

    def rarity(self, word: str) -> float:
        """Inverse document frequency, above 0: what few procedures speak of tells more."""
        return math.log(1 + len(self.texts) / self.used_by.get(word, 0.5))

    def unfamiliar(self, asked: Mapping[str, str]) -> tuple[str, ...]:
        """The words asked that no procedure speaks of, slips allowed, as they were typed."""
        return tuple(typed for word, typed in asked.items() if not matched([word], self.used_by))

    def _texts(self, procedure: Procedure, causes: Sequence[str]) -> Texts:
        phrases = [procedure.title]
        for row in procedure.symptoms.all():
            phrases += [row.name, *row.words]
        return Texts(
            tuple(found for phrase in phrases if (found := frozenset(self.tokens(phrase)))),
            frozenset(self.tokens(procedure.summary)),
            {cause: frozenset(self.tokens(cause)) for cause in causes},
        )


def matched(asked: Iterable[str], offered: Collection[str]) -> frozenset[str]:
    """Words asked for that are offered, slips allowed."""
    return frozenset(word for word in asked if word in offered or any(alike(word, other) for other in offered))


def words_fit(vocabulary: Vocabulary, asked: Collection[str], texts: Texts) -> tuple[float, frozenset[str]]:
    """How well these words fit, from 0 to about 1, and which of them do. A wording that is typed in full fits fully."""
    whole = sum(map(vocabulary.rarity, asked))
    if not whole:
        return 0.0, frozenset()
    in_wordings = matched(asked, frozenset().union(*texts.wordings))
    in_summary = matched(asked, texts.summary) - in_wordings
    title, *others = [_phrase_fit(vocabulary, asked, phrase, whole) for phrase in texts.wordings] or [0.0]
    best = max([title, *(OTHER_THAN_TITLE * fit for fit in others)])
    share = sum(map(vocabulary.rarity, in_wordings)) / whole
    aside = sum(map(vocabulary.rarity, in_summary)) / whole
    return PHRASE * best + ANY_PHRASE * share + SUMMARY * aside, in_wordings | in_summary


def _phrase_fit(vocabulary: Vocabulary, asked: Collection[str], phrase: frozenset[str], whole: float) -> float:
    """Harmonic mean of how much of what was asked is in the phrase, and how much of the phrase was asked."""
    hits = matched(asked, phrase)
    covered = sum(vocabulary.rarity(word) for word in phrase if matched([word], hits))
    asked_for = sum(map(vocabulary.rarity, hits)) / whole
    said = covered / sum(map(vocabulary.rarity, phrase))
    return 2 * asked_for * said / (asked_for + said) if hits else 0.0


def _fit(
    procedure: Procedure,
    vocabulary: Vocabulary,
    asked: Mapping[str, str],
    symptom: str,
    codes: Sequence[str],
    *,
    typed: bool,
) -> tuple[float, bool, list[str]]:
    """Score, whether it fits closely, and the reasons. ``typed``: whether any words were given."""
    score, reasons = 0.0, []
    symptoms = list(procedure.symptoms.all())
    if symptom and symptom in {row.key for row in symptoms}:
        score += SYMPTOM
        reasons.append("for this symptom")
    pointing = [*procedure.codes, *(code for row in symptoms for code in row.codes)]
    hits = sorted({code for code in pointing for given in codes if len(given) >= PART_OF_CODE and given in code})
    if hits:
        score += CODE
        reasons.append(f"fault code {', '.join(hits)}")
    texts = vocabulary.texts[procedure.key]
    fit, words = words_fit(vocabulary, asked.keys(), texts)
    if fit >= LEAST_FIT:
        score += WORDS * fit
        reasons.append(f"words: {', '.join(sorted(asked[word] for word in words))}")
    proved, cause = max(
        ((_share(vocabulary, asked, said), cause) for cause, said in texts.causes.items()), default=(0, "")
    )
    if proved >= LEAST_FIT:
        score += WORDS * proved
        reasons.append(f"proved right before: {cause}")
    close = score >= CODE or max(fit, proved) >= CLOSE or not typed or has_wording(vocabulary, asked, texts)
    return score, close, reasons


def has_wording(vocabulary: Vocabulary, asked: Collection[str], texts: Texts) -> bool:
    """Whether a long complaint holds one wording nearly whole: two words of it at least."""
    whole = [phrase for phrase in texts.wordings if len(phrase) > 1]
    return any(len(hits := matched(phrase, asked)) > 1 and _share(vocabulary, phrase, hits) >= HELD for phrase in whole)


def _share(vocabulary: Vocabulary, asked: Collection[str], said: Collection[str]) -> float:
    """How much of what was asked is said, from 0 to 1, by rarity."""
    whole = sum(map(vocabulary.rarity, asked))
    return sum(map(vocabulary.rarity, matched(asked, said))) / whole if whole else 0.0


def _platform_fit(procedure: Procedure, platform: str) -> tuple[bool, str]:
    """Whether the procedure may be used on this platform, and what to say if it was written for it."""
    own = list(procedure.platforms.all())
    if not own or not platform:
        return True, ""
    for row in own:
        if is_within(platform, row.path):
            return True, f"written for {row.name}"
    if any(row.path.startswith(f"{platform}/") for row in own):
        return True, "written for some vehicles of this kind: see its first step"
    return False, ""
