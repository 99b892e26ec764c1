"""Two people at one draft: what a form is about, whether somebody else changed that meanwhile, and both texts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from django.http import QueryDict

from shopkb.core.flow.file.writer import write_group
from shopkb.core.flow.model import Flow
from shopkb.procedures.desk.desk_context import fault_texts, outcome_row, plain_text, typed_step, value_texts
from shopkb.procedures.desk.form_actions import HEAD_FIELDS

_NO_FIELDS = frozenset(
    {"csrfmiddlewaretoken", "based_on", "form", "step", "do", "open", "new-label", "outcome", "cause", "value", "left"}
)
_TICKED = {"step": ("needs", "cautions", "loaded"), "head": ("symptoms", "platforms")}
"""Fields of a form that a browser leaves out when nothing is ticked."""

Difference = tuple[str, str, str]
"""A field in words, what was typed here, what is stored now."""


@dataclass(frozen=True, slots=True)
class Merge:
    """A form and somebody else's saving brought together: what to take in, and the fields that both changed.

    Of a field that both changed, ``post`` has what was typed here.
    """

    post: QueryDict
    conflicts: Sequence[Difference]


def merge(before: Flow, now: Flow, post: QueryDict) -> Merge:
    """Field by field: what this form left as it was ``before`` is taken from the flow as it stands ``now``."""
    old, new = texts_of_form(before, post), texts_of_form(now, post)
    merged, conflicts = post.copy(), []
    ticked = _TICKED.get(post.get("form", ""), ()) if "title" in post else ()
    for name in [*(one for one in post if one not in _NO_FIELDS), *(one for one in ticked if one not in post)]:
        mine, was, theirs = _plain(post.getlist(name)), _plain(old.get(name, "")), _plain(new.get(name, ""))
        if mine == was:
            held = new.get(name, "")
            merged.setlist(name, list(held) if isinstance(held, list) else [held])
        elif theirs not in (was, mine):
            conflicts.append((_said(name), "; ".join(mine), "; ".join(theirs)))
    return Merge(merged, conflicts)


def _plain(text: str | list[str]) -> list[str]:
    """A field as it is compared: without outer blanks, line ends alike, empty entries left out."""
    texts = [text] if isinstance(text, str) else text
    return [plain for one in texts if (plain := one.replace("\r\n", "\n").strip())]


def touched(flow: Flow, post: QueryDict) -> tuple[object, ...]:
    """What of the flow the form is about, as it stands; empty when it is gone."""
    match post.get("form"):
        case "head":
            return tuple(getattr(flow, name) for name in (*HEAD_FIELDS, "symptoms", "platforms"))
        case "cause":
            found: object = flow.cause_by_key.get(post.get("cause", ""))
        case "circuit":
            return (flow.circuit,)
        case "value":
            return (flow.value_by_key.get(post.get("value", "").strip()),)
        case "step" | "new-cause":
            found = flow.step_by_key.get(post.get("step", ""))
        case _:
            return ("something new",)
    return () if found is None else (found,)


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
            return (
                said
                | {"minutes": plain_text(cause.minutes), "price": plain_text(cause.price)}
                | {"shows": str(cause.shows) if cause.shows is not None else ""}
                | {f"fault-{name}": text for name, text in fault_texts(cause).items()}
            )
        case "circuit":
            return {"circuit": write_group(flow.circuit)}
        case "value" if value := flow.value_by_key.get(post.get("value", "").strip()):
            held = value_texts(value)
            return {"from" if name == "low" else "to" if name == "high" else name: held[name] for name in held}
        case "new-cause" if "outcome" in post:
            outcomes = flow.step_by_key[post.get("step", "")].outcomes
            return {"pick": next((f"{one.go.kind}:{one.go.key}" for one in outcomes if one.key == post["outcome"]), "")}
        case "step":
            step = flow.step_by_key[post.get("step", "")]
            texts: dict[str, str | list[str]] = dict(typed_step(step, None))
            for outcome in step.outcomes:
                row = outcome_row(flow, step, outcome.key, None)
                texts |= {
                    f"o-{row.key}-{name}": getattr(row, name)
                    for name in ("label", "low", "high", "proof", "note", "finding", "go")
                }
            return texts
    return {}


def differing(mine: QueryDict, theirs: Mapping[str, str | list[str]]) -> Sequence[Difference]:
    """Every field in which what was typed here and what is stored differ, where nothing else is known."""
    rows = []
    for name in mine:
        here, there = _plain(mine.getlist(name)), _plain(theirs.get(name, ""))
        if name not in _NO_FIELDS and here != there:
            rows.append((_said(name), "; ".join(here), "; ".join(there)))
    return rows


def _said(name: str) -> str:
    """A field's name in words: ``o-no-click-label`` is *no click: label*."""
    outcome, _, field = name.removeprefix("o-").rpartition("-")
    return f"{outcome.replace('-', ' ')}: {field}" if name.startswith("o-") else name
