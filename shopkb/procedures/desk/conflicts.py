"""Two people at one draft: what a form is about, whether somebody else changed that meanwhile, and both texts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict

from django.http import QueryDict

from shopkb.core.flow.model import Flow
from shopkb.procedures.desk.desk_context import outcome_row, plain_text, typed_step
from shopkb.procedures.desk.form_actions import HEAD_FIELDS

_NOT_SHOWN = frozenset(
    {"csrfmiddlewaretoken", "based_on", "form", "step", "do", "open", "new-label", "outcome", "cause", "value"}
)


def touched(flow: Flow, post: QueryDict) -> tuple[object, ...]:
    """What of the flow the form is about, as it stands; empty when it is gone."""
    match post.get("form"):
        case "head":
            return tuple(getattr(flow, name) for name in (*HEAD_FIELDS, "symptoms", "platforms"))
        case "cause":
            found: object = flow.cause_by_key.get(post.get("cause", ""))
        case "value":
            return (flow.value_by_key.get(post.get("value", "").strip()),)
        case "step" | "new-cause":
            found = flow.step_by_key.get(post.get("step", ""))
        case _:
            return ("something new",)
    return () if found is None else (found,)


def disjoint(before: Flow, now: Flow, post: QueryDict) -> bool:
    """Whether what others saved meanwhile touches nothing that this form is about."""
    there = touched(now, post)
    return bool(there) and touched(before, post) == there


def texts_of_form(flow: Flow, post: QueryDict) -> dict[str, str | list[str]]:
    """What the fields of the form would say of the flow as it stands."""
    if not touched(flow, post):
        return {}
    match post.get("form"):
        case "head":
            lists = {"symptoms": list(flow.symptoms), "platforms": list(flow.platforms)}
            return {name: str(getattr(flow, name)) for name in HEAD_FIELDS} | {"codes": ", ".join(flow.codes)} | lists
        case "cause":
            cause = flow.cause_by_key[post.get("cause", "")]
            said: dict[str, str | list[str]] = {
                name: str(text) for name, text in asdict(cause).items() if isinstance(text, str)
            }
            return said | {"minutes": plain_text(cause.minutes), "price": plain_text(cause.price)}
        case "step":
            step = flow.step_by_key[post.get("step", "")]
            texts: dict[str, str | list[str]] = dict(typed_step(step, None))
            for outcome in step.outcomes:
                row = outcome_row(flow, step, outcome.key, None)
                texts |= {
                    f"o-{row.key}-{name}": getattr(row, name) for name in ("label", "band", "proof", "note", "go")
                }
            return texts
    return {}


def differing(mine: QueryDict, theirs: Mapping[str, str | list[str]]) -> Sequence[tuple[str, str, str]]:
    """Field, what was typed here, what is stored now, for every field in which they differ."""
    rows = []
    for name in mine:
        if name in _NOT_SHOWN:
            continue
        here = "; ".join(one.replace("\r\n", "\n").strip() for one in mine.getlist(name) if one.strip())
        held = theirs.get(name, "")
        there = "; ".join(one for one in held if one) if isinstance(held, list) else held.strip()
        if here != there:
            rows.append((_said(name), here, there))
    return rows


def _said(name: str) -> str:
    """A field's name in words: ``o-no-click-label`` is *no click: label*."""
    outcome, _, field = name.removeprefix("o-").rpartition("-")
    return f"{outcome.replace('-', ' ')}: {field}" if name.startswith("o-") else name
