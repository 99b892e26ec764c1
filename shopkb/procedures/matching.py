"""Complaint, symptom, fault codes and platform to procedures, ranked, each with the reasons why it fits."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from shopkb.core.identifiers import is_within
from shopkb.evidence.procedure_record import ProcedureRecord, records
from shopkb.procedures.models import Procedure

SYMPTOM, CODE, WORD, WORD_LIMIT, OWN_PLATFORM = 10.0, 6.0, 1.0, 5.0, 1.0
"""What each kind of fit counts for. Our choice: a chosen symptom outweighs a code, a code outweighs words."""

PART_OF_CODE = 3
"""Letters and figures a part of a fault code must have before it is searched for."""

_STOP_TEXT = (
    "a an and as at but by does for from has have i in is isn it its me my no not of off on or out so that the then "
    "there this to up very was when while with won"
)
STOP_WORDS = frozenset(_STOP_TEXT.split())
"""Words of a complaint that say nothing about the fault."""


@dataclass(frozen=True, slots=True)
class Offer:
    """A procedure that may fit, why, and what closed jobs say of it."""

    procedure: Procedure
    score: float
    reasons: tuple[str, ...]
    record: ProcedureRecord


def offers(
    *,
    words: str = "",
    symptom: str = "",
    codes: Sequence[str] = (),
    platform: str = "",
    system: str = "",
    proven: Mapping[str, Sequence[str]] = MappingProxyType({}),
    limit: int = 20,
) -> list[Offer]:
    """Procedures in force that fit, best first.

    ``platform`` is a path in the platform tree: a procedure written for other platforms only is left out; one written
    for some below it (of a vehicle whose engine nobody took down) is offered and says so. ``system`` is one in the
    systems tree: only procedures of it and below are offered. ``proven`` gives causes that proved right, in words, by
    procedure; the customer's words, or a technician's, may mean one of these. Without words, symptom or codes all
    procedures are offered. A pinned number of queries, whatever the number of procedures.
    """
    asked = tokens(words)
    found = []
    for procedure in Procedure.objects.published().for_list():
        fits, platform_reason = _platform_fit(procedure, platform)
        if not fits:
            continue
        if not is_within(procedure.system.path, system):
            continue
        score, reasons = _fit(procedure, asked, symptom, codes)
        for cause in proven.get(procedure.key, ()):
            if hits := matched(asked, tokens(cause)):
                score += min(WORD_LIMIT, WORD * len(hits))
                reasons.append(f"proved right before: {cause}")
                break
        if score == 0 and (asked or symptom or codes):
            continue
        if platform_reason:
            score, reasons = score + OWN_PLATFORM, [*reasons, platform_reason]
        found.append((procedure, score, tuple(reasons)))
    known = records([procedure.key for procedure, _score, _reasons in found])
    ranked = [
        Offer(procedure, score, reasons, known.get(procedure.key, ProcedureRecord()))
        for procedure, score, reasons in found
    ]
    return sorted(ranked, key=lambda offer: (-offer.score, -offer.record.verified, offer.procedure.title))[:limit]


def tokens(text: str) -> frozenset[str]:
    """Words of a text, folded: lower case, accents off, stop words and single letters out, plural s off."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    words = (word for word in re.findall(r"[a-z0-9]+", plain) if len(word) > 1 and word not in STOP_WORDS)
    return frozenset(word[:-1] if len(word) > 3 and word.endswith("s") else word for word in words)


def alike(one: str, other: str) -> bool:
    """Whether two words are the same but for one slip: a letter wrong, missing, added, or two exchanged.

    Words under five letters must be equal. (Restricted Damerau-Levenshtein distance of at most 1.)
    """
    if one == other:
        return True
    if min(len(one), len(other)) < 5 or abs(len(one) - len(other)) > 1:
        return False
    start = next((i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))
    rest_one, rest_other = one[start:], other[start:]
    return (
        rest_one[1:] == rest_other[1:]
        or rest_one[1:] == rest_other
        or rest_one == rest_other[1:]
        or (rest_one[:2] == rest_other[1::-1] and rest_one[2:] == rest_other[2:])
    )


def matched(asked: Iterable[str], offered: Iterable[str]) -> list[str]:
    """Words asked for that are offered, slips allowed, in alphabetical order."""
    offered = frozenset(offered)
    return sorted(word for word in asked if word in offered or any(alike(word, other) for other in offered))


def _fit(procedure: Procedure, asked: frozenset[str], symptom: str, codes: Sequence[str]) -> tuple[float, list[str]]:
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
    texts = [procedure.title, procedure.summary, *(row.name for row in symptoms)]
    texts += [word for row in symptoms for word in row.words]
    words = matched(asked, frozenset().union(*(tokens(text) for text in texts)))
    if words:
        score += min(WORD_LIMIT, WORD * len(words))
        reasons.append(f"words: {', '.join(words)}")
    return score, reasons


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
