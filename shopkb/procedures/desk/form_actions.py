"""What a form of the desk says, turned into editor actions. Whatever was typed is kept before a button is obeyed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from django.http import QueryDict

from shopkb.catalog.models import Cause as CauseRow
from shopkb.core.flow import editing
from shopkb.core.flow.copying import copy_steps
from shopkb.core.flow.editing import EditRefused, KeyNotFound
from shopkb.core.flow.fields import typed_names
from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Step, cause_identity
from shopkb.core.readings.parsing import find_unit
from shopkb.core.readings.quantities import ReadingError
from shopkb.core.readings.spoken_bands import band_of_ends, ends_as_typed
from shopkb.procedures.desk.field_refusals import Refusals, taken, words_of
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.web.numbers import row_number

NEW_STEP, NEW_OUTCOME = "New step", "New outcome"
_PLACEHOLDER = re.compile(r"new-(?:step|outcome)(?:-\d+)?")

USUAL_UNIT = {"voltage": "V", "current": "A", "resistance": "ohm", "temperature": "degC", "pressure": "bar"}
"""The unit a reading begins with when none was typed."""

STEP_FIELDS, OUTCOME_FIELDS, CAUSE_FIELDS, HEAD_FIELDS = map(typed_names, (Step, Outcome, Cause, Flow))


@dataclass(frozen=True, slots=True)
class EditResult:
    """The flow after a form, the step whose card is open, whether the cards must be drawn anew, and where to go on.

    ``cause_for`` is the (step, outcome) for which a new cause is wanted. ``renamed`` gives the new key of each
    ``step:KEY`` and ``outcome:KEY`` of the card that got another one. ``refused`` says which fields were not taken in,
    by their id on the page, and why; everything else is in ``flow``.
    """

    flow: Flow
    step: str = ""
    anew: bool = False
    cause_for: tuple[str, str] | None = None
    renamed: Mapping[str, str] = field(default_factory=dict)
    refused: Mapping[str, str] = field(default_factory=dict)


def apply_form(flow: Flow, post: QueryDict) -> EditResult:
    """Take in what the form holds, then do what its button says.

    Raises:
        EditRefused, KeyNotFound: nothing is changed.
    """
    match post.get("form"):
        case "head":
            return _head(flow, post)
        case "cause":
            return _cause(flow, post)
        case "value":
            return _value(flow, post)
        case "circuit":
            return _circuit(flow, post)
        case "step":
            return _step_form(flow, post)
        case "new-cause":
            return _new_cause(flow, post)
        case "copy":
            return _copy(flow, post)
    key = editing.fresh_key("new step", editing.node_keys(flow))
    return EditResult(editing.add_step(flow, key, NEW_STEP), key, anew=True)


def _head(flow: Flow, post: QueryDict) -> EditResult:
    fields: dict[str, editing.Typed] = {name: post.get(name, "") for name in HEAD_FIELDS if name in post}
    fields["codes"] = post.get("codes", "").upper().replace(",", ";")
    fields["symptoms"] = post.getlist("symptoms")
    fields["platforms"] = post.getlist("platforms")
    told: Refusals = {}
    flow = taken(flow, fields, editing.change_head, "h-{}".format, told)
    return EditResult(flow, step=post.get("open", ""), refused=told)


def _step_form(flow: Flow, post: QueryDict) -> EditResult:
    key = post.get("step", "")
    before = flow
    told: Refusals = {}
    flow = _typed_step(flow, key, post, told)
    flow = _typed_outcomes(flow, key, post, told)
    flow, now, renamed = _settled_keys(flow, key)
    refused = {_field_now(name, renamed): words for name, words in told.items()}
    name, _, what = post.get("do", "save").partition(":")
    if name != "save":
        what = renamed.get(f"outcome:{what}", what)
        return replace(_button(flow, now, name, what, post), renamed=renamed, refused=refused)
    anew = bool(renamed) or _shape(before, key) != _shape(flow, now) or _said_otherwise(flow, now, post)
    return EditResult(flow, now, anew, renamed=renamed, refused=refused)


def _field_now(name: str, renamed: Mapping[str, str]) -> str:
    """The id of an outcome's field after its key followed its first words."""
    key, _, what = name.removeprefix("o-").rpartition("-")
    return f"o-{renamed.get(f'outcome:{key}', key)}-{what}" if name.startswith("o-") else name


def _shape(flow: Flow, key: str) -> tuple[object, ...]:
    """What makes a card look different: whether it measures, and its outcomes' keys."""
    step = flow.step_by_key[key]
    ends = tuple((outcome.key, outcome.go, outcome.proof) for outcome in step.outcomes)
    return (step.reading and (step.reading.quantity, step.reading.unit), step.test, ends)


def _said_otherwise(flow: Flow, key: str, post: QueryDict) -> bool:
    """Whether the boxes of a band, once they were left, hold other words than the card has for what they mean."""
    step = flow.step_by_key[key]
    if "left" not in post or step.reading is None:
        return False
    return any(
        (post.get(f"o-{one.key}-low", low), post.get(f"o-{one.key}-high", high)) != (low, high)
        for one in step.outcomes
        for low, high in [ends_as_typed(one.band, step.reading.unit)]
    )


def _typed_step(flow: Flow, key: str, post: QueryDict, told: Refusals) -> Flow:
    fields: dict[str, editing.Typed] = {name: post.get(name, "") for name in STEP_FIELDS if name in post}
    fields["needs"] = post.getlist("needs")
    fields["cautions"] = post.getlist("cautions")
    flow = taken(flow, fields, lambda held, given: editing.change_step(held, key, given), "s-{}".format, told)
    if post.get("test") != "measure" or "quantity" not in post:
        return editing.change_reading(flow, key, {"quantity": ""}) if "quantity" in post else flow
    quantity = post.get("quantity", "")
    reading: dict[str, editing.Typed] = {
        "quantity": quantity,
        "unit": _unit_typed(flow, key, post),
        "between": post.getlist("between"),
        "loaded": post.get("loaded", ""),
        "plausible": post.get("plausible", ""),
        **{name: post.get(name, "") for name in ("probes", "through") if name in post},
    }
    return taken(flow, reading, lambda held, given: editing.change_reading(held, key, given), _reading_id, told)


def _reading_id(name: str) -> str:
    return "s-between-1" if name == "between" else f"s-{name}"


def _unit_typed(flow: Flow, key: str, post: QueryDict) -> str:
    """The unit on the card; the usual one of the quantity where none was typed, or one of the quantity before."""
    quantity, typed = post.get("quantity", ""), post.get("unit", "").strip()
    reading = flow.step_by_key[key].reading
    if typed and not (reading and reading.quantity != quantity and typed == reading.unit):
        return typed
    return USUAL_UNIT.get(quantity, "")


def _typed_outcomes(flow: Flow, key: str, post: QueryDict, told: Refusals) -> Flow:
    if key not in flow.step_by_key:
        raise KeyNotFound(f"There is no step {key!r} in this procedure.")
    for outcome in flow.step_by_key[key].outcomes:
        name = f"o-{outcome.key}"
        given = {field: post.get(f"{name}-{field}", "") for field in OUTCOME_FIELDS if f"{name}-{field}" in post}
        if f"{name}-low" in post or f"{name}-high" in post:
            given |= _typed_band(flow, key, name, post, told)
        flow = taken(
            flow,
            given,
            lambda held, fields, one=outcome.key: editing.change_outcome(held, key, one, fields),  # type: ignore[misc]
            f"{name}-{{}}".format,
            told,
        )
        go = post.get(f"{name}-go")
        if go is not None:
            flow = _pointed(flow, key, outcome.key, go)
    return flow


def _typed_band(flow: Flow, step: str, name: str, post: QueryDict, told: Refusals) -> dict[str, str]:
    """The band that the two boxes of an outcome mean; what is in them is refused at the box that is not understood."""
    low, high = post.get(f"{name}-low", ""), post.get(f"{name}-high", "")
    reading = flow.step_by_key[step].reading
    unit = find_unit(reading.unit).symbol if reading else ""
    try:
        band = band_of_ends(low, high, unit)
    except ReadingError as refusal:
        told[f"{name}-{_box_at_fault(low, high, unit)}"] = str(refusal).rstrip(".") + "."
        return {}
    return {"band": band.text() if band else ""}


def _box_at_fault(low: str, high: str, unit: str) -> str:
    if not low.strip():
        return "high"
    try:
        band_of_ends(low, "", unit)
    except ReadingError:
        return "low"
    return "high" if high.strip() else "low"


def _pointed(flow: Flow, step: str, outcome: str, go: str) -> Flow:
    kind, _, key = go.partition(":")
    if kind not in {*GoKind, ""}:
        raise KeyNotFound("Nothing leads to such a place. Choose where this answer goes from the list.")
    return editing.set_destination(flow, step, outcome, Go(GoKind(kind or GoKind.NOWHERE), key))


def with_cause(flow: Flow, component: str, mode: str) -> tuple[Flow, str]:
    """The flow with this cause, and its key; a cause it has already is not made again."""
    identity = cause_identity(component, mode)
    for cause in flow.causes:
        if cause.identity == identity:
            return flow, cause.key
    words = f"{component.rpartition('/')[2]} {mode}".replace("-", " ")
    key = editing.fresh_key(words, editing.node_keys(flow), "cause")
    return editing.add_cause(flow, key, component, mode), key


def _settled_keys(flow: Flow, key: str) -> tuple[Flow, str, dict[str, str]]:
    """Keys of what was just made follow its first title, so that they say what they stand for: the flow, the step's key
    now, and what got another key."""
    renamed: dict[str, str] = {}
    step = flow.step_by_key[key]
    for outcome in step.outcomes:
        if _PLACEHOLDER.fullmatch(outcome.key) and outcome.label != NEW_OUTCOME:
            others = {one.key for one in flow.step_by_key[key].outcomes} - {outcome.key}
            new = editing.fresh_key(outcome.label, others, "outcome")
            flow = editing.rename_outcome(flow, key, outcome.key, new)
            renamed[f"outcome:{outcome.key}"] = new
    if _PLACEHOLDER.fullmatch(key) and step.title != NEW_STEP:
        new = editing.fresh_key(step.title, editing.node_keys(flow) - {key})
        flow = editing.rename_step(flow, key, new)
        renamed[f"step:{key}"] = new
        key = new
    return flow, key, renamed


def _button(flow: Flow, key: str, name: str, what: str, post: QueryDict) -> EditResult:
    match name:
        case "up" | "down":
            flow = editing.move_step(flow, key, -1 if name == "up" else 1)
        case "delete":
            return EditResult(editing.delete_step(flow, key), "", anew=True)
        case "add-outcome":
            words = post.get("new-label", "").strip() or NEW_OUTCOME
            taken = {outcome.key for outcome in flow.step_by_key[key].outcomes}
            flow = editing.add_outcome(flow, key, editing.fresh_key(words, taken, "outcome"), words)
        case "outcome-up" | "outcome-down":
            flow = editing.move_outcome(flow, key, what, -1 if name == "outcome-up" else 1)
        case "outcome-delete":
            flow = editing.delete_outcome(flow, key, what)
        case "caution":
            flow = editing.add_caution(flow, key, what)
        case "new-step":
            return _step_behind(flow, key, what)
        case "new-cause":
            return EditResult(flow, key, anew=True, cause_for=(key, what))
        case _:
            raise KeyNotFound("This button does nothing here.")
    return EditResult(flow, key, anew=True)


def _step_behind(flow: Flow, key: str, outcome: str) -> EditResult:
    """A new step that the outcome leads to. It begins at the component and the access of the one before."""
    made = editing.fresh_key("new step", editing.node_keys(flow))
    flow = editing.add_step(flow, made, NEW_STEP, after=(key, outcome))
    before = flow.step_by_key[key]
    return EditResult(editing.change_step(flow, made, {"at": before.at, "access": before.access}), made, anew=True)


def _cause(flow: Flow, post: QueryDict) -> EditResult:
    key = post.get("cause", "")
    if post.get("do") == "delete":
        return EditResult(editing.delete_cause(flow, key), post.get("open", ""), anew=True)
    fields = {name: post.get(name, "") for name in CAUSE_FIELDS if name in post}
    told: Refusals = {}
    flow = taken(flow, fields, lambda held, given: editing.change_cause(held, key, given), f"c-{key}-{{}}".format, told)
    fault = {name: post.get(f"fault-{name}", "") for name in ("parts", "is") if f"fault-{name}" in post}
    flow = taken(
        flow, fault, lambda held, given: editing.change_fault(held, key, given), f"c-{key}-fault-{{}}".format, told
    )
    return EditResult(flow, post.get("open", ""), refused=told)


def _circuit(flow: Flow, post: QueryDict) -> EditResult:
    told: Refusals = {}
    fields: dict[str, editing.Typed] = {"circuit": post.get("circuit", "")}
    flow = taken(
        flow, fields, lambda held, given: editing.change_circuit(held, str(given["circuit"])), "k-{}".format, told
    )
    return EditResult(flow, post.get("open", ""), refused=told)


def _new_cause(flow: Flow, post: QueryDict) -> EditResult:
    """A cause chosen for an outcome, with what is known of it; or several for the draft. All of it, or nothing."""
    step, before, told = post.get("step", ""), flow, Refusals()
    if "outcome" not in post:
        for pick in post.getlist("picks"):
            flow, _key = _picked(flow, pick, "")
        return EditResult(flow, step, anew=True)
    if post.get("pick", "").startswith("part:") and not post.get("mode", "").strip():
        return EditResult(before, step, refused={"nc-mode": "Write how it fails, such as open circuit."})
    try:
        flow, key = _picked(flow, post.get("pick", ""), post.get("mode", ""))
    except EditRefused as refusal:
        return EditResult(before, step, refused={"nc-mode": words_of(flow, refusal)})
    if key not in before.cause_by_key:
        given = {name: post.get(name, "") for name in ("usual", "minutes", "price", "correction") if name in post}
        flow = taken(flow, given, lambda held, one: editing.change_cause(held, key, one), "nc-{}".format, told)
    flow = editing.set_destination(flow, step, post.get("outcome", ""), Go(GoKind.CAUSE, key))
    return EditResult(before, step, refused=told) if told else EditResult(flow, step, anew=True)


def _copy(flow: Flow, post: QueryDict) -> EditResult:
    """A step of a procedure in force, alone or with all behind it; for an outcome, or at the end."""
    revision = Revision.objects.filter(procedure__key=post.get("from", ""), state=Revision.State.PUBLISHED).first()
    if revision is None:
        raise KeyNotFound("This procedure is not in force any more. Choose another.")
    after = (post.get("step", ""), post.get("outcome", "")) if post.get("outcome") else None
    copied, key = copy_steps(
        flow, flow_of(revision), post.get("pick", ""), behind=post.get("behind") == "yes", after=after
    )
    return EditResult(copied, key, anew=True)


def _picked(flow: Flow, pick: str, mode: str) -> tuple[Flow, str]:
    kind, _, what = pick.partition(":")
    if kind == "cause" and what in flow.cause_by_key:
        return flow, what
    if kind == "catalog":
        return _of_catalog(flow, what)
    if kind == "part":
        return with_cause(flow, what, mode)
    raise KeyNotFound("Choose what failed from the list, or write a new part.")


def _of_catalog(flow: Flow, pk: str) -> tuple[Flow, str]:
    row = CauseRow.objects.select_related("component").filter(pk=row_number(pk) or 0).first()
    if row is None:
        raise KeyNotFound("This cause is no longer in the catalog. Choose another.")
    return with_cause(flow, row.component.path, row.mode)


def _value(flow: Flow, post: QueryDict) -> EditResult:
    key = post.get("value", "").strip()
    step = post.get("open", "")
    match post.get("do"):
        case "delete":
            return EditResult(editing.delete_value(flow, key), step, anew=True)
        case "up" | "down":
            return EditResult(editing.move_value(flow, key, -1 if post.get("do", "") == "up" else 1), step, anew=True)
    fields: dict[str, editing.Typed] = {
        name: post.get(name, "") for name in ("ask", "unit", "from", "to") if post.get(name)
    }
    if post.get("compute"):
        lines = [line.partition(":") for line in post.get("inputs", "").splitlines() if line.strip()]
        fields = {"compute": post.get("compute", ""), **{name.strip(): text.strip() for name, _, text in lines}}
    known = key or editing.fresh_key(post.get("ask", ""), flow.value_by_key, "value", "_")
    try:
        return EditResult(editing.put_value(flow, known, fields), step, anew=True)
    except EditRefused as refusal:
        name = refusal.findings[0].where.rpartition(".")[2]
        at = name if name in ("ask", "unit", "from", "to", "compute") else "inputs" if post.get("compute") else "value"
        return EditResult(
            flow, step, refused={f"v-{key if key in flow.value_by_key else 'new'}-{at}": words_of(flow, refusal)}
        )
