"""Which words of the cautions were on the screen: noted in the event log with the answer they stood over.

The note is a text such as ``hot-coolant 2, probe-terminals 1``: keys of cautions, each with the number of its wording.
The page, or the page kept on the device, sends it along, so that words changed meanwhile are not taken for those shown.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from shopkb.catalog.models import Caution, SafetyKind, Wording
from shopkb.catalog.wordings import in_force_at
from shopkb.jobs.event import Event
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.run_state import RunState

_PAIR = re.compile(r"([a-z0-9-]{1,60}) ([0-9]{1,6})")
LONGEST = 2000


@dataclass(frozen=True, slots=True)
class ShownCaution:
    """A caution under which steps of a job were done. ``sure``: noted at the time, not inferred from the date."""

    wording: Wording
    sure: bool


def stamp(cautions: Iterable[Caution]) -> str:
    """The note for these cautions as they are worded now."""
    return ", ".join(f"{row.key} {row.wording}" for row in cautions if row.wording)


def read_stamp(text: str) -> dict[str, int]:
    """The number of the wording by key of the caution; what is no note says nothing."""
    return {key: int(number) for key, number in _PAIR.findall(text[:LONGEST])}


def shown(cautions: Sequence[Caution], sent: str) -> str:
    """The note to keep: what the page says it showed, where that can be; else what is in force."""
    said = read_stamp(sent)
    numbers = {row.key: row.wording for row in cautions if row.wording}
    for key, number in said.items():
        if 0 < number <= numbers.get(key, 0):
            numbers[key] = number
    return ", ".join(f"{key} {number}" for key, number in numbers.items())


def cautions_shown(run_states: Sequence[RunState]) -> list[ShownCaution]:
    """Every wording under which a step that counts was done, by signal word, then title. Two queries, none for no runs.

    Answers from before wordings were noted count as done under what was in force at their time.
    """
    rows = [(run_state, row) for run_state in run_states for row in run_state.effective if not row.skipped]
    if not rows:
        return []
    runs = [run_state.run.pk for run_state in run_states]
    noted = dict(Event.objects.filter(run__in=runs, kind=Kind.RESULT).exclude(words="").values_list("record", "words"))
    of_key: dict[str, list[Wording]] = defaultdict(list)
    for wording in Wording.objects.filter(kind=SafetyKind.CAUTION).select_related("confirmed_by"):
        of_key[wording.key].append(wording)
    found: dict[tuple[str, int], ShownCaution] = {}
    for run_state, row in rows:
        said = read_stamp(noted.get(row.pk, ""))
        for key in {*run_state.flow.step_by_key[row.step].cautions, *said}:
            noted_then = [each for each in of_key[key] if each.number == said.get(key)]
            shown_then = noted_then[0] if noted_then else in_force_at(of_key[key], row.at)
            if shown_then is not None:
                place = (key, shown_then.number)
                sure = bool(noted_then) or (place in found and found[place].sure)
                found[place] = ShownCaution(shown_then, sure)
    return sorted(found.values(), key=_by_signal)


def _by_signal(caution: ShownCaution) -> tuple[int, str, int]:
    facts = caution.wording.facts
    return Caution.Signal.values.index(facts["signal"]), facts["title"], caution.wording.number
