"""What the desk shows of a draft: one open card with its choices, findings beside it, and the chart."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Q
from django.http import QueryDict
from django.urls import reverse

from shopkb.catalog.facts import facts
from shopkb.catalog.models import Platform, Symptom, System
from shopkb.charts.drawings import Drawing
from shopkb.charts.view import ChartOptions
from shopkb.core.flow import editing
from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.checks.catalog_view import Catalog, CautionView
from shopkb.core.flow.checks.hazards import left_open
from shopkb.core.flow.checks.value_use import value_ranges
from shopkb.core.flow.fields import file_fields
from shopkb.core.flow.file.scalars import LINE_LIMIT
from shopkb.core.flow.file.writer import write_group
from shopkb.core.flow.model import AskedValue, Cause, Flow, Go, GoKind, Proof, Step, TestKind, Usual, Value
from shopkb.core.flow.names import cause_name, last_part, words_of_key
from shopkb.core.flow.paths import next_steps, reachable
from shopkb.core.identifiers import KEY_FORM, LONGEST_KEY
from shopkb.core.readings.expected import COMPUTATIONS
from shopkb.core.readings.parsing import find_unit
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.spoken_bands import ends_as_typed
from shopkb.core.readings.units import QUANTITIES
from shopkb.core.typed_text import spoken_list
from shopkb.procedures.desk.finding_text import desk_finding
from shopkb.procedures.desk.since_review import since_review
from shopkb.procedures.drawing import draw_chart
from shopkb.procedures.models import Procedure, Remark, Revision
from shopkb.procedures.publishing import remark_fields
from shopkb.web.numberline import NumberLine, Segment, number_line

Choice = tuple[str, str]

_KEY = re.compile(KEY_FORM)


@dataclass(frozen=True, slots=True)
class OutcomeRow:
    """One branch on the card: texts as typed, the two ends of its readings, and as ``go`` the value of its choice."""

    key: str
    label: str
    low: str
    high: str
    proof: str
    note: str
    finding: str
    go: str
    ends: bool


def desk_address(revision: Revision, step: str = "") -> str:
    """The desk, with the card of this step open; of what no key could be, nothing goes into the address."""
    address = reverse("procedures:desk", args=[revision.procedure.key, revision.number])
    named = len(step) <= LONGEST_KEY and _KEY.fullmatch(step)
    return f"{address}?step={step}#step-{step}" if named else address


def desk_context(
    revision: Revision, flow: Flow, step: str, typed: QueryDict | None = None, typed_circuit: str | None = None
) -> dict[str, Any]:
    """Everything the page and its parts need. ``typed``: what a refused form of a step held, shown again as it was;
    ``typed_circuit``: the same of the circuit."""
    titles = dict(Procedure.objects.values_list("key", "title"))
    catalog = facts(set(titles) | {flow.procedure})
    found = check_flow(flow, catalog) if flow.steps else ()  # before the first step there is nothing to be wrong
    findings = [desk_finding(flow, finding, catalog) for finding in found]
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
        **revision.earlier_states.aggregate(
            states=Count("pk", filter=Q(undone=False)), undone=Count("pk", filter=Q(undone=True))
        ),
        "remarks": remarks_of(revision, flow),
        "since": since_review(revision, flow),
        **(_card(flow, open_step, catalog, titles, typed) if open_step else {}),
        **_around(flow),
        "circuit_text": _circuit_text(flow, typed_circuit),
        **_lacking(flow),
    }


@dataclass(frozen=True, slots=True)
class PlacedRemark:
    """A remark with the words for its field and the id of that field on the card; both empty for a whole step."""

    row: Remark
    about: str
    field_id: str


def remarks_of(revision: Revision, flow: Flow) -> list[PlacedRemark]:
    """The remarks on a revision, each where it belongs."""
    placed = []
    for row in revision.remarks.select_related("by"):
        step = flow.step_by_key.get(row.step)
        about = remark_fields(step).get(row.field, words_of_key(row.field.rpartition(".")[2])) if step else ""
        outcome, _, key = row.field.partition(".")
        on_card = f"o-{key}-label" if outcome == "outcomes" and key else f"s-{_ON_CARD.get(row.field, row.field)}"
        placed.append(PlacedRemark(row, about, on_card if row.field else ""))
    return placed


_ON_CARD = {"reading": "quantity"}


def _lacking(flow: Flow) -> dict[str, Any]:
    """What no check demands and whoever follows the procedure misses all the same, counted."""
    causes = sum(not cause.correction or cause.minutes is None for cause in flow.causes)
    steps = sum(step.minutes is None for step in flow.steps)
    found = [(causes, "cause", "without correction or minutes"), (steps, "step", "without minutes")]
    lacking = [f"{count} {noun}{'s are' if count > 1 else ' is'} {what}" for count, noun, what in found if count]
    return {"lacking_causes": causes, "lacking": lacking}


def _circuit_text(flow: Flow, typed: str | None) -> str:
    return write_group(flow.circuit) if typed is None else typed


def fault_texts(cause: Cause) -> dict[str, str]:
    """What a cause is in the circuit, as the fields of its form."""
    fault = cause.fault
    return {"parts": "; ".join(fault.parts) if fault else "", "is": str(fault.how) if fault and fault.how else ""}


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
    systems = system_choices()
    parts = {path: name.lstrip("– ") for path, name in systems}
    return {
        "systems": systems,
        "symptoms": _with_gone(list(Symptom.objects.values_list("key", "name")), flow.symptoms),
        "platforms": _with_gone([("any", "any platform"), *_platforms()], flow.platforms),
        "usuals": list(Usual),
        "causes": [
            (
                cause,
                parts.get(cause.component) or last_part(cause.component).capitalize(),
                plain_text(cause.minutes),
                plain_text(cause.price),
                fault_texts(cause),
            )
            for cause in flow.causes
        ],
        "computations": list(COMPUTATIONS.values()),
        "values": [value_texts(value) for value in flow.values],
    }


def plain_text(number: float | None) -> str:
    """A number as it is typed, no digit lost."""
    return "" if number is None else f"{number:.10g}"


def value_texts(value: Value) -> dict[str, str]:
    """A value as the fields of its form."""
    if isinstance(value, AskedValue):
        low, high = str(value.low or ""), str(value.high or "")
        return {"key": value.key, "ask": value.ask, "unit": value.unit, "low": low, "high": high}
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
        "unit": step.reading.unit if step.reading else "",
        "remark_fields": remark_fields(step),
        "hanging": hanging_on(flow, step),
        "others": [(one.key, one.title) for one in flow.steps if one.key != step.key],
    }


def typed_text(value: object) -> str:
    """A field of the model as the desk shows it in a text field."""
    match value:
        case tuple():
            return "; ".join(map(str, value))
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
        "plausible": reading.plausible.text() if reading and reading.plausible else "",
        "probes": typed_text(reading.probes) if reading else "",
        "through": reading.through if reading else "",
    }
    lists = {"between": between, "needs": list(step.needs), "cautions": list(step.cautions)}
    if typed is not None:
        held |= {name: typed.get(name, "") for name in held if name in typed}
        lists |= {name: typed.getlist(name) for name in lists}
    return {**held, **lists}


def outcome_row(flow: Flow, step: Step, key: str, typed: QueryDict | None) -> OutcomeRow:
    outcome = step.outcome(key)
    go = outcome.go
    low, high = ends_as_typed(outcome.band, step.reading.unit if step.reading else "")
    held = {
        "label": outcome.label,
        "low": low,
        "high": high,
        "proof": outcome.proof.value if outcome.proof else "",
        "note": outcome.note,
        "finding": outcome.finding,
        "go": "" if go.kind is GoKind.NOWHERE and not go.key else f"{go.kind}:{go.key}",
    }
    if typed is not None:
        held |= {name: typed.get(f"o-{key}-{name}", "") for name in held if f"o-{key}-{name}" in typed}
    return OutcomeRow(key, ends=go.kind is GoKind.CAUSE, **held)


def _ways(flow: Flow, step: Step, titles: Mapping[str, str]) -> list[tuple[str, list[Choice]]]:
    """Where an outcome can lead, by kind. A step that leads here would close a loop; it is not offered."""
    led_to = {outcome.go.key for outcome in step.outcomes}
    steps = [
        (f"step:{one.key}", f"{flow.number_by_step[one.key]} {one.title}")
        for one in flow.steps
        if one.key != step.key and (one.key in led_to or not _leads_to(flow, one.key, step.key))
    ]
    return [
        ("A step", steps),
        ("A cause", [(f"cause:{one.key}", cause_name(one.component, one.mode)) for one in flow.causes]),
        ("Elsewhere", [("out:", "leave without a cause")]),
        (
            "Another procedure",
            [(f"hand-over:{key}", title) for key, title in sorted(titles.items()) if key != flow.procedure],
        ),
    ]


def hanging_on(flow: Flow, step: Step) -> list[str]:
    """What goes with a step when it is removed, in sentences: ways to it, what only it leads to, what waits for it."""
    led = [
        f"“{one.title}: {outcome.label}”" for one, outcome in flow.branches if outcome.go == Go(GoKind.STEP, step.key)
    ]
    left = editing.delete_step(flow, step.key)
    lost = [f"“{one.title}”" for one in left.steps if one.key in reachable(flow) and one.key not in reachable(left)]
    proven = {outcome.go.key for _, outcome in left.branches if outcome.go.kind is GoKind.CAUSE}
    causes = {outcome.go.key for outcome in step.outcomes if outcome.go.kind is GoKind.CAUSE} - proven
    names = [f"“{cause_name(one.component, one.mode)}”" for one in flow.causes if one.key in causes]
    needed = [f"“{one.title}”" for one in flow.steps if step.key in one.needs]
    said = [
        (led, "leads nowhere then", "lead nowhere then"),
        (lost, "is out of reach then", "are out of reach then"),
        (names, "is a cause no step proves then", "are causes no step proves then"),
        (needed, "waits for it no longer", "wait for it no longer"),
    ]
    begins = ["The procedure begins with another step then."] if flow.start == step.key and left.steps else []
    return begins + [
        f"{spoken_list(what, 'and')} {many if len(what) > 1 else one}." for what, one, many in said if what
    ]


def _leads_to(flow: Flow, start: str, wanted: str) -> bool:
    """Whether some way from one step comes to another."""
    seen, waiting = set(), [start]
    while waiting:
        key = waiting.pop()
        if key == wanted:
            return True
        if key not in seen:
            seen.add(key)
            waiting += next_steps(flow, key)
    return False


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
