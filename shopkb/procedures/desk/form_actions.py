"""What a form of the desk says, turned into editor actions. Whatever was typed is kept before a button is obeyed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from django.http import QueryDict

from shopkb.catalog.models import Cause as CauseRow
from shopkb.core.flow import editing
from shopkb.core.flow.editing import KeyNotFound
from shopkb.core.flow.fields import typed_names
from shopkb.core.flow.model import Cause, Flow, Go, GoKind, Outcome, Step, cause_identity
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
    ``step:KEY`` and ``outcome:KEY`` of the card that got another one.
    """

    flow: Flow
    step: str = ""
    anew: bool = False
    cause_for: tuple[str, str] | None = None
    renamed: Mapping[str, str] = field(default_factory=dict)


def apply_form(flow: Flow, post: QueryDict) -> EditResult:
    """Take in what the form holds, then do what its button says.

    Raises:
        EditRefused, KeyNotFound: nothing is changed.
    """
    match post.get("form"):
        case "head":
            return EditResult(_head(flow, post), step=post.get("open", ""))
        case "cause":
            return _cause(flow, post)
        case "value":
            return _value(flow, post)
        case "step":
            return _step_form(flow, post)
        case "new-cause":
            return _new_cause(flow, post)
    key = editing.fresh_key("new step", editing.node_keys(flow))
    return EditResult(editing.add_step(flow, key, NEW_STEP), key, anew=True)


def _head(flow: Flow, post: QueryDict) -> Flow:
    fields: dict[str, editing.Typed] = {name: post.get(name, "") for name in HEAD_FIELDS if name in post}
    fields["codes"] = post.get("codes", "").upper().replace(",", ";")
    fields["symptoms"] = post.getlist("symptoms")
    fields["platforms"] = post.getlist("platforms")
    return editing.change_head(flow, fields)


def _step_form(flow: Flow, post: QueryDict) -> EditResult:
    key = post.get("step", "")
    before = flow
    flow = _typed_step(flow, key, post)
    flow, wanted, made = _typed_outcomes(flow, key, post)
    flow, now, renamed = _settled_keys(flow, key)
    wanted = renamed.get(f"outcome:{wanted}", wanted)
    anew = bool(renamed or made) or _shape(before, key) != _shape(flow, now)
    name, _, what = post.get("do", "save").partition(":")
    if name != "save":
        what = renamed.get(f"outcome:{what}", what)
        return replace(_button(flow, now, name, what, post), renamed=renamed)
    return EditResult(flow, made or now, anew, cause_for=(now, wanted) if wanted else None, renamed=renamed)


def _shape(flow: Flow, key: str) -> tuple[object, ...]:
    """What makes a card look different: whether it measures, and its outcomes' keys."""
    step = flow.step_by_key[key]
    ends = tuple((outcome.key, outcome.go, outcome.proof) for outcome in step.outcomes)
    return (step.reading is None, step.reading and step.reading.quantity, step.test, ends)


def _typed_step(flow: Flow, key: str, post: QueryDict) -> Flow:
    fields: dict[str, editing.Typed] = {name: post.get(name, "") for name in STEP_FIELDS if name in post}
    fields["needs"] = post.getlist("needs")
    fields["cautions"] = post.getlist("cautions")
    flow = editing.change_step(flow, key, fields)
    if post.get("test") != "measure" or "quantity" not in post:
        return editing.change_reading(flow, key, {"quantity": ""}) if "quantity" in post else flow
    quantity = post.get("quantity", "")
    reading: dict[str, editing.Typed] = {
        "quantity": quantity,
        "unit": post.get("unit", "").strip() or USUAL_UNIT.get(quantity, ""),
        "between": post.getlist("between"),
        "loaded": post.get("loaded", ""),
    }
    return editing.change_reading(flow, key, reading)


def _typed_outcomes(flow: Flow, key: str, post: QueryDict) -> tuple[Flow, str, str]:
    """The flow, the outcome that wants a new cause, and the step that was made."""
    wanted = made = ""
    if key not in flow.step_by_key:
        raise KeyNotFound(f"There is no step {key!r} in this procedure.")
    for outcome in flow.step_by_key[key].outcomes:
        given = {
            name: post.get(f"o-{outcome.key}-{name}", "")
            for name in OUTCOME_FIELDS
            if f"o-{outcome.key}-{name}" in post
        }
        flow = editing.change_outcome(flow, key, outcome.key, given)
        go = post.get(f"o-{outcome.key}-go")
        if go == "new-cause":
            wanted = outcome.key
        elif go == "new-step":
            made = editing.fresh_key("new step", editing.node_keys(flow))
            flow = editing.add_step(flow, made, NEW_STEP, after=(key, outcome.key))
        elif go is not None:
            flow = _pointed(flow, key, outcome.key, go)
    return flow, wanted, made


def _pointed(flow: Flow, step: str, outcome: str, go: str) -> Flow:
    kind, _, key = go.partition(":")
    if kind == "catalog":
        row = CauseRow.objects.select_related("component").filter(pk=row_number(key) or 0).first()
        if row is None:
            raise KeyNotFound("This cause is no longer in the catalog. Choose another.")
        flow, key = with_cause(flow, row.component.path, row.mode)
        kind = "cause"
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
        case _:
            raise KeyNotFound("This button does nothing here.")
    return EditResult(flow, key, anew=True)


def _cause(flow: Flow, post: QueryDict) -> EditResult:
    key = post.get("cause", "")
    if post.get("do") == "delete":
        return EditResult(editing.delete_cause(flow, key), post.get("open", ""), anew=True)
    fields = {name: post.get(name, "") for name in CAUSE_FIELDS if name in post}
    return EditResult(editing.change_cause(flow, key, fields), post.get("open", ""))


def _new_cause(flow: Flow, post: QueryDict) -> EditResult:
    flow, key = with_cause(flow, post.get("component", ""), post.get("mode", ""))
    step = post.get("step", "")
    return EditResult(
        editing.set_destination(flow, step, post.get("outcome", ""), Go(GoKind.CAUSE, key)), step, anew=True
    )


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
    return EditResult(editing.put_value(flow, known, fields), step, anew=True)
