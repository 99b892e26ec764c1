"""Findings as the desk says them: titles and labels instead of keys, its own fields instead of those of the file.

The checks speak to whoever reads the file; on the desk nobody sees a key. Only what the file calls otherwise than the
desk is said anew here, everything else as the check says it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from shopkb.core.flow.checks.catalog_view import Catalog
from shopkb.core.flow.circuit_spec import FaultSpec
from shopkb.core.flow.comparison.compare import ItemChange
from shopkb.core.flow.fields import labels
from shopkb.core.flow.findings import CheckFinding
from shopkb.core.flow.model import AskedValue, Cause, ComputedValue, Flow, Go, GoKind, Outcome, ReadingSpec, Step
from shopkb.core.flow.names import cause_words, words_of_key

HINTS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "start-missing": "Choose the first step under “Title, system, symptoms, how the cure is verified”.",
        "go-nowhere": "Choose under “Leads to” a step, a cause, another procedure, or out.",
        "step-without-outcomes": "Write under “One more outcome” what can be found.",
        "end-without-proof": "Choose under “Proof” how it shows, seen, measured, substituted or by elimination.",
        "proof-without-end": "Choose “not said” under “Proof”, or lead to a cause.",
        "needs-unknown": "Untick it under “Steps that must have been done before”.",
        "needs-not-passed": "Lead every way through it, or untick it under “Steps that must have been done before”.",
        "reading-missing": "Choose its quantity and its unit under “What is measured”.",
        "band-without-reading": "Choose a quantity and a unit under “What is measured”, or empty “Readings”.",
        "bands-partial": "Fill in “Readings” at every outcome, or at none.",
        "value-limits-swapped": "Write the lower one under “Lowest”, the higher one under “Highest”.",
        "value-undefined": "Add it under “Values that bands can use”, or write a number with its unit.",
        "power-without-isolation": "Write under “What is unplugged first” what it is.",
    }
)
"""What would be right, by check, where the file's hint names its fields."""

FIELDS: Final[Mapping[str, str]] = MappingProxyType(
    labels(Flow, AskedValue, ComputedValue, Cause, FaultSpec, Outcome, ReadingSpec, Step) | {"key": "Name in bands"}
)
"""What the desk calls a field of the file."""


def desk_finding(flow: Flow, finding: CheckFinding, catalog: Catalog | None = None) -> CheckFinding:
    """The same finding in the desk's words. ``where`` becomes the outcome's label and the field's name."""
    step = _step(flow, finding)
    told = _TOLD.get(finding.id)
    message = (told(flow, finding) if told else None) or finding.message
    return replace(
        finding,
        where=_place(flow, finding),
        message=_with_titles(flow, step, message),
        hint=_with_cautions(catalog, _with_titles(flow, step, HINTS.get(finding.id, finding.hint))),
    )


def with_titles(one: ItemChange, before: Flow, after: Flow) -> ItemChange:
    """The same difference, where a branch leads said by title and by what failed; today's name where both have one."""
    names = {f"the step {key}": f"“{held.title}”" for flow in (before, after) for key, held in flow.step_by_key.items()}
    for flow in (before, after):
        names |= {f"the cause {key}": f"“{cause_words(held.identity)}”" for key, held in flow.cause_by_key.items()}
    return replace(one, words=tuple(_WAY.sub(lambda way: names.get(way[0], way[0]), message) for message in one.words))


_WAY: Final = re.compile(r"the (?:step|cause) [a-z0-9-]+")


def _place(flow: Flow, finding: CheckFinding) -> str:
    parts = finding.where.split(".")
    outcome = _outcome(flow, finding)
    field = next((FIELDS[part] for part in reversed(parts) if part in FIELDS and part != "outcomes"), "")
    return ", ".join(part for part in (f"“{outcome.label}”" if outcome else "", field) if part)


def _step(flow: Flow, finding: CheckFinding) -> Step | None:
    parts = finding.where.split(".")
    return flow.step_by_key.get(finding.step or (parts[1] if parts[0] == "steps" and len(parts) > 1 else ""))


def _outcome(flow: Flow, finding: CheckFinding) -> Outcome | None:
    """The outcome that the finding is at, if it is at one."""
    parts, step = finding.where.split("."), _step(flow, finding)
    key = parts[3] if step and parts[2:3] == ["outcomes"] and len(parts) > 3 else ""
    return next((one for one in step.outcomes if one.key == key), None) if step else None


def _with_titles(flow: Flow, step: Step | None, message: str) -> str:
    """Keys in quotes as what people read in their place."""
    labels = {one.key: one.label for one in step.outcomes} if step else {}
    causes = {key: cause_words(one.identity) for key, one in flow.cause_by_key.items()}
    titles = {key: one.title for key, one in flow.step_by_key.items()}
    known = {**causes, **titles, **labels}

    def shown(found: re.Match[str]) -> str:
        return f"“{known[found[1]]}”" if known.get(found[1]) else found[0]

    return re.sub(r"'([a-z0-9-]+)'", shown, message)


def _with_cautions(catalog: Catalog | None, message: str) -> str:
    """Cautions as the list of the desk has them: their keys without hyphens."""
    for key in catalog.cautions if catalog else ():
        if "-" in key:
            message = re.sub(rf"(?<![\w-]){re.escape(key)}(?![\w-])", words_of_key(key), message)
    return message


def _nowhere(flow: Flow, finding: CheckFinding) -> str | None:
    outcome = _outcome(flow, finding)
    return f"“{outcome.label}” leads nowhere" if outcome else None


def _partly(flow: Flow, finding: CheckFinding) -> str | None:
    bare = [f"“{one.label}”" for one in flow.step_by_key[finding.step].outcomes if one.band is None]
    return f"Some outcomes have readings, others have none: {', '.join(bare)}"


def _round(flow: Flow, finding: CheckFinding) -> str | None:
    message, _colon, way = finding.message.partition(": ")
    return f"{message}: {' > '.join(flow.step_by_key[key].title for key in way.split(' > '))}"


def _one_way(flow: Flow, finding: CheckFinding) -> str | None:
    step = flow.step_by_key[finding.step]
    return f"All {len(step.outcomes)} outcomes of this step lead to {_to(flow, step.outcomes[0].go)}"


def _to(flow: Flow, go: Go) -> str:
    if go.kind is GoKind.STEP and go.key in flow.step_by_key:
        return f"“{flow.step_by_key[go.key].title}”"
    if go.kind is GoKind.CAUSE and go.key in flow.cause_by_key:
        return f"the cause “{cause_words(flow.cause_by_key[go.key].identity)}”"
    return f"the procedure “{words_of_key(go.key)}”" if go.kind is GoKind.HAND_OVER else "out"


_TOLD: Final[Mapping[str, Callable[[Flow, CheckFinding], str | None]]] = MappingProxyType(
    {"go-nowhere": _nowhere, "bands-partial": _partly, "loop": _round, "test-decides-nothing": _one_way}
)
