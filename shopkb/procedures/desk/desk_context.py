"""What the desk shows of a draft: one open card with its choices, findings beside it, and the chart."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import QueryDict
from django.urls import reverse

from shopkb.catalog.facts import facts
from shopkb.catalog.models import Cause, Platform, Symptom, System
from shopkb.catalog.path_queries import path_within
from shopkb.charts.drawings import Drawing
from shopkb.charts.view import ChartOptions
from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.checks.catalog_view import Catalog, CautionView
from shopkb.core.flow.checks.hazards import left_open
from shopkb.core.flow.checks.value_use import value_ranges
from shopkb.core.flow.fields import file_fields
from shopkb.core.flow.file.scalars import LINE_LIMIT
from shopkb.core.flow.model import AskedValue, Flow, GoKind, Proof, Step, TestKind, Usual
from shopkb.core.flow.names import cause_name
from shopkb.core.identifiers import KEY_FORM, LONGEST_KEY
from shopkb.core.readings.expected import COMPUTATIONS
from shopkb.core.readings.parsing import find_unit
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import QUANTITIES
from shopkb.procedures.desk.finding_text import desk_finding
from shopkb.procedures.drawing import draw_chart
from shopkb.procedures.models import Procedure, Revision
from shopkb.web.numberline import NumberLine, Segment, number_line

Choice = tuple[str, str]

_KEY = re.compile(KEY_FORM)


@dataclass(frozen=True, slots=True)
class OutcomeRow:
    """One branch on the card; texts as typed, where it goes as the value of its choice."""

    key: str
    label: str
    band: str
    proof: str
    note: str
    go: str
    ends: bool


def desk_address(revision: Revision, step: str = "") -> str:
    """The desk, with the card of this step open; of what no key could be, nothing goes into the address."""
    address = reverse("procedures:desk", args=[revision.procedure.key, revision.number])
    named = len(step) <= LONGEST_KEY and _KEY.fullmatch(step)
    return f"{address}?step={step}#step-{step}" if named else address


def desk_context(revision: Revision, flow: Flow, step: str, typed: QueryDict | None = None) -> dict[str, Any]:
    """Everything the page and its parts need. ``typed``: what a refused form held, shown again as it was."""
    titles = dict(Procedure.objects.values_list("key", "title"))
    catalog = facts(set(titles) | {flow.procedure})
    findings = [desk_finding(flow, finding, catalog) for finding in check_flow(flow, catalog)]
    open_step = flow.step_by_key.get(step)
    return {
        "revision": revision,
        "procedure": revision.procedure,
        "flow": flow,
        "section": "procedures",
        "findings": findings,
        "errors": sum(finding.is_error for finding in findings),
        "general": [finding for finding in findings if not finding.step],
        "cards": [(one, [finding for finding in findings if finding.step == one.key]) for one in flow.steps],
        "open": open_step,
        "states": revision.earlier_states.count(),
        "remarks": list(revision.remarks.select_related("by")),
        **(_card(flow, open_step, catalog, titles, typed) if open_step else {}),
        **_around(flow),
    }


def _platforms() -> Iterator[tuple[str, str]]:
    """Path and full name of every platform: the names of all above it, then its own."""
    names: dict[str, str] = {}
    for path, name in sorted(Platform.objects.order_by().values_list("path", "name")):
        above = names.get(path.rpartition("/")[0])
        names[path] = f"{above}, {name}" if above else name
        yield path, names[path]


def _with_gone(choices: list[tuple[str, str]], named: Sequence[str]) -> list[tuple[str, str]]:
    """The choices, and what the draft names though it is none of them: saving must not drop it unseen."""
    known = {key for key, _ in choices}
    return choices + [(key, f"{key} (not in the catalog)") for key in named if key not in known]


def chart_context(revision: Revision, flow: Flow, step: str) -> dict[str, Any]:
    """The chart alone, each step a way to its card. Drawn apart, so that no saving waits for a drawing."""
    links = {one.key: desk_address(revision, one.key) for one in flow.steps}
    return {
        "drawn": draw_chart(flow, ChartOptions(links=links, now=step if step in flow.step_by_key else ""), Drawing.TALL)
    }


def system_choices() -> list[Choice]:
    """All systems by path, in the order of the tree, their names behind a dash for each level. One query."""
    systems = System.objects.values_list("path", "name").order_by("tree_id", "lft")
    return [(path, f"{'– ' * path.count('/')}{name}") for path, name in systems]


def _around(flow: Flow) -> dict[str, Any]:
    return {
        "systems": system_choices(),
        "symptoms": _with_gone(list(Symptom.objects.values_list("key", "name")), flow.symptoms),
        "platforms": _with_gone([("any", "any platform"), *_platforms()], flow.platforms),
        "usuals": list(Usual),
        "causes": [(cause, plain_text(cause.minutes), plain_text(cause.price)) for cause in flow.causes],
        "computations": list(COMPUTATIONS.values()),
        "values": [_value(value) for value in flow.values],
    }


def plain_text(number: float | None) -> str:
    """A number as it is typed, no digit lost."""
    return "" if number is None else f"{number:.10g}"


def _value(value: Any) -> dict[str, str]:
    if isinstance(value, AskedValue):
        return {
            "key": value.key,
            "ask": value.ask,
            "unit": value.unit,
            "low": str(value.low or ""),
            "high": str(value.high or ""),
        }
    return {"key": value.key, "compute": value.compute, "inputs": "\n".join(f"{n}: {t}" for n, t in value.inputs)}


def _card(
    flow: Flow, step: Step, catalog: Catalog, titles: Mapping[str, str], typed: QueryDict | None
) -> dict[str, Any]:
    texts = typed_step(step, typed)
    return {
        "typed": texts,
        "more": _more_fields(texts),
        "rows": [outcome_row(flow, step, outcome.key, typed) for outcome in step.outcomes],
        "line": band_line(flow, step),
        "tests": list(TestKind),
        "accesses": [(view.key, view.name) for view in catalog.access.values()],
        "cautions": [(view.key, view.signal, view.text) for view in catalog.cautions.values()],
        "asked_for": cautions_asked_for(flow, step, catalog),
        "quantities": sorted(QUANTITIES),
        "proofs": list(Proof),
        "ways": _ways(flow, step, titles),
        "others": [(one.key, one.title) for one in flow.steps if one.key != step.key],
    }


def typed_text(value: object) -> str:
    """A field of the model as the desk shows it in a text field."""
    match value:
        case tuple():
            return "; ".join(value)
        case None | float():
            return plain_text(value)
    return str(value)


def _more_fields(texts: Mapping[str, Any]) -> list[tuple[str, str, str, int]]:
    """Name, label, text and longest text of the plain fields at the foot of the card; 0 where several are in one."""
    return [
        (each.name, each.spec.more, texts[each.name], 0 if each.spec.limit else LINE_LIMIT)
        for each in file_fields(Step)
        if each.spec.more
    ]


def typed_step(step: Step, typed: QueryDict | None) -> dict[str, Any]:
    reading = step.reading
    between = [*(reading.between if reading else ()), "", ""][:2]
    held: dict[str, Any] = {
        **{each.name: typed_text(getattr(step, each.attribute)) for each in file_fields(Step) if each.spec.typed},
        "quantity": reading.quantity if reading else "",
        "unit": reading.unit if reading else "",
        "loaded": "true" if reading and reading.loaded else "",
    }
    lists = {"between": between, "needs": list(step.needs), "cautions": list(step.cautions)}
    if typed is not None:
        held |= {name: typed.get(name, "") for name in held if name in typed}
        lists |= {name: typed.getlist(name) for name in lists}
    return {**held, **lists}


def outcome_row(flow: Flow, step: Step, key: str, typed: QueryDict | None) -> OutcomeRow:
    outcome = step.outcome(key)
    go = outcome.go
    held = {
        "label": outcome.label,
        "band": outcome.band.text() if outcome.band else "",
        "proof": outcome.proof.value if outcome.proof else "",
        "note": outcome.note,
        "go": "" if go.kind is GoKind.NOWHERE and not go.key else f"{go.kind}:{go.key}",
    }
    if typed is not None:
        held |= {name: typed.get(f"o-{key}-{name}", "") for name in held if f"o-{key}-{name}" in typed}
    return OutcomeRow(key, ends=go.kind is GoKind.CAUSE, **held)


def _ways(flow: Flow, step: Step, titles: Mapping[str, str]) -> list[tuple[str, list[Choice]]]:
    """Where an outcome can lead, by kind."""
    known = {cause.identity for cause in flow.causes}
    root = flow.system.partition("/")[0]
    rows = Cause.objects.select_related("component").filter(path_within("component__path", root))
    return [
        ("Something new", [("new-step", "a new step"), ("new-cause", "a new cause …")]),
        (
            "A step",
            [
                (f"step:{one.key}", f"{flow.number_by_step[one.key]} {one.title}")
                for one in flow.steps
                if one.key != step.key
            ],
        ),
        ("A cause", [(f"cause:{one.key}", cause_name(one.component, one.mode)) for one in flow.causes]),
        (
            "A cause of the catalog",
            [
                (f"catalog:{row.pk}", f"{row.component.name}: {row.mode}")
                for row in rows.order_by("component__path", "mode")
                if row.identity not in known
            ],
        ),
        ("Elsewhere", [("out:", "leave without a cause")]),
        (
            "Another procedure",
            [(f"hand-over:{key}", title) for key, title in sorted(titles.items()) if key != flow.procedure],
        ),
    ]


def cautions_asked_for(flow: Flow, step: Step, catalog: Catalog) -> list[Choice]:
    """For each hazard no caution covers yet, the caution that covers most of them: key and signal word."""
    left = set(left_open(flow, step, catalog))
    found: list[Choice] = []
    while left:
        best = max(catalog.cautions.values(), key=lambda view: _fit(view, left), default=None)
        if best is None or not left & best.hazards:
            break
        found.append((best.key, best.signal))
        left -= best.hazards
    return found


def _fit(view: CautionView, left: set[str]) -> tuple[int, int, bool]:
    """How well a caution fits: it covers most of what is left, says least besides, and is named for it."""
    covers = left & view.hazards
    return len(covers), -len(view.hazards - covers), view.key in covers


def band_line(flow: Flow, step: Step) -> NumberLine | None:
    """The bands of a step to scale, every value in the middle of its limits; ``None`` where that cannot be told."""
    if step.reading is None:
        return None
    unit = step.reading.unit
    middles = {name: _middle(low, high) for name, (low, high) in value_ranges(flow).items()}
    segments = list(_segments(step, middles, unit))
    return number_line(segments, find_unit(unit).sign) if segments else None


def _segments(step: Step, values: Mapping[str, Quantity], unit: str) -> Iterator[Segment]:
    for number, outcome in enumerate(step.outcomes, 1):
        if outcome.band is None:
            continue
        try:
            interval = outcome.band.resolve(values, unit)
        except ReadingError:
            continue
        if interval.over_limit or interval.low < interval.high:
            yield Segment(outcome.label, interval, str(number))


def _middle(low: Quantity, high: Quantity) -> Quantity:
    return Quantity((low.magnitude + high.to(low.unit).magnitude) / 2, low.unit)
