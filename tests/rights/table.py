"""Who may open and send what. One row for each route; a route without a row fails.

Letters: v visitor, t technician, w writer, m manager, k keeper. They are written out here, not computed from the roles,
so that a change of a role's rights shows here too.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from shopkb.accounts.models import User
from shopkb.catalog.cause_registry import cause_for
from shopkb.catalog.models import Platform
from shopkb.core.flow.file.writer import write_flow
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from tests.builders import CONTROL_TEXT
from tests.rights.scene import ARCHIVED, OTHER, OWN

STAFF = "twmk"
BEGUN = "6f1f3f3e-0d5c-4b3e-9d52-0d7a2b6b8f10"
"""Id of a run that a device began and nobody has sent yet."""
Sent = Callable[[tuple[Any, ...]], dict[str, Any]]


def nothing(_arguments: tuple[Any, ...]) -> dict[str, Any]:
    return {}


@dataclass(frozen=True)
class Row:
    """``get``, ``post``: who may (empty: the method is not allowed). ``on``: the kind of thing the address names, with
    ``more`` arguments after it. ``does``: whose thing a permitted sending changes; on the others it changes nothing."""

    get: str = ""
    post: str = ""
    on: str = ""
    more: tuple[Any, ...] = ()
    sent: Sent = nothing
    does: frozenset[str] = field(default_factory=frozenset)
    get_theirs: str = ""
    post_theirs: str = ""
    """Who may read another's, or change it, where that differs."""
    answers: frozenset[int] = frozenset({200, 302})
    visitor: int = 302


def once(**fields: Any) -> Sent:
    return lambda _arguments: {"client_id": str(uuid.uuid4()), **fields}


def intake(_arguments: tuple[Any, ...]) -> dict[str, Any]:
    return {
        "client_id": str(uuid.uuid4()),
        "registration": "SB 9999",
        "platform": Platform.objects.get(path="curlew/dunlin").pk,
        "complaint": "No horn.",
        "complaint_verified": "not-yet",
    }


def vehicle_list(_arguments: tuple[Any, ...]) -> dict[str, Any]:
    kind = Platform.objects.get(path="curlew/dunlin").pk
    return {
        "table": "1\tReg\n2\tSB 9998",
        "column-registration": "0",
        "otherwise": kind,
        "shown": f"0||||·{kind}",
        "do": "write",
    }


def repair(_arguments: tuple[Any, ...]) -> dict[str, Any]:
    cause = cause_for("body/horn/horn", "open circuit")
    return {"client_id": str(uuid.uuid4()), "cause": cause.pk, "proof": "measured", "correction": "New horn."}


def hand_over(_arguments: tuple[Any, ...]) -> dict[str, Any]:
    receiver = User.objects.get(username="second").pk
    return {"client_id": str(uuid.uuid4()), "receiver": receiver, "reason": "End of the shift."}


def text(arguments: tuple[Any, ...]) -> dict[str, Any]:
    key, number = arguments
    held = Revision.objects.get(procedure__key=key, number=number)
    told = write_flow(flow_of(held)).replace("Look at the button", "Look hard at the button")
    return {"text": told, "why": "Clearer.", "based_on": held.checksum}


def new_text(_arguments: tuple[Any, ...]) -> dict[str, Any]:
    return {"text": CONTROL_TEXT.replace("horn-control", "horn-brand-new"), "why": "New."}


def new_on_desk(_arguments: tuple[Any, ...]) -> dict[str, Any]:
    return {"title": "Horn sounds by itself", "system": "body/horn"}


def watched(_arguments: tuple[Any, ...]) -> dict[str, Any]:
    return {"decided": "watched", "watched-client_id": str(uuid.uuid4())}


def circuit_part(arguments: tuple[Any, ...]) -> dict[str, Any]:
    key, number = arguments
    held = Revision.objects.get(procedure__key=key, number=number)
    part = {"piece": "fuse", "name": "Horn fuse", "behind": "battery+", "length": "2", "area": "1.5"}
    return part | {"do": "add", "based_on": held.checksum}


BOTH = frozenset({OWN, OTHER})
MINE = frozenset({OWN})
THEIRS = frozenset({OTHER})
OVER = frozenset({ARCHIVED})
ALL = BOTH | OVER
WRITERS = "wk"
FORM = frozenset({200, 302, 422})
REVIEWERS = "wmk"

TABLE: dict[str, Row] = {
    "favicon.ico": Row(get="v" + STAFF, post="v" + STAFF),
    "home": Row(get=STAFF),
    "health": Row(get="v" + STAFF),
    "version": Row(get=STAFF),
    "people": Row(get="k"),
    "person-new": Row(get="k", post="k", answers=FORM),
    "person": Row(get="k", post="k", on="person", answers=FORM),
    "person-act": Row(post="k", on="person", more=("sign-in-again",)),
    "catalog:index": Row(get=WRITERS),
    "catalog:entries": Row(get=WRITERS, on="kind"),
    "catalog:new": Row(get=WRITERS, post=WRITERS, on="kind", answers=FORM),
    "catalog:entry": Row(get=WRITERS, post=WRITERS, on="entry", answers=FORM),
    "catalog:remove": Row(get=WRITERS, post=WRITERS, on="entry", answers=FORM, does=THEIRS),  # nothing uses that one
    "login": Row(get="v" + STAFF, post="v" + STAFF),
    "logout": Row(post=STAFF),
    "procedures:list": Row(get=STAFF),
    "procedures:ask": Row(post=STAFF, sent=once(words="Wipers do nothing."), does=ALL),
    "procedures:asked": Row(get=STAFF),
    "procedures:settle-request": Row(post=WRITERS, on="request", sent=once(settled="Drafted."), does=BOTH),
    "procedures:new": Row(get=WRITERS, post=WRITERS, sent=new_text, does=ALL),
    "procedures:procedure": Row(get=STAFF, on="procedure"),
    "procedures:revision": Row(get=STAFF, on="published"),
    "procedures:step": Row(get=STAFF, on="published", more=("look",)),
    "procedures:safety-words": Row(get=STAFF),
    "procedures:proposal": Row(get=STAFF, on="proposal"),
    "procedures:confirm-words": Row(post=REVIEWERS, on="proposal", does=THEIRS),
    "procedures:refuse-words": Row(post=REVIEWERS, on="proposal", sent=once(why="Less clear."), does=BOTH),
    "procedures:take-back-words": Row(post=WRITERS, on="proposal", does=MINE),
    "procedures:wordings": Row(get=STAFF, on="wordings"),
    "procedures:chart": Row(get=STAFF, on="published", more=("dot",)),
    "procedures:file": Row(get=STAFF, on="published"),
    "procedures:text": Row(get=WRITERS, post=WRITERS, on="draft", sent=text, does=BOTH),
    "procedures:desk-new": Row(get=WRITERS, post=WRITERS, sent=new_on_desk, does=ALL),
    "procedures:desk-preview": Row(post=WRITERS, sent=once(text="**bold**")),
    "procedures:desk": Row(get=WRITERS, on="draft"),
    "procedures:desk-act": Row(post=WRITERS, on="draft", answers=frozenset({409, 422, 302})),
    "procedures:desk-chart": Row(get=WRITERS, on="draft"),
    "procedures:desk-picture": Row(post=WRITERS, on="draft"),
    "procedures:desk-picture-marks": Row(
        get=WRITERS, post=WRITERS, on="draft", more=("none.jpg",), answers=frozenset({404})
    ),
    "procedures:picture": Row(get=STAFF, on="photo", answers=frozenset({404})),
    "jobs:trial": Row(get=STAFF, on="draft"),
    "procedures:desk-undo": Row(post=WRITERS, on="draft"),
    "procedures:desk-redo": Row(post=WRITERS, on="draft"),
    "procedures:desk-circuit": Row(get=WRITERS, post=WRITERS, on="draft", sent=circuit_part, answers=FORM, does=BOTH),
    "procedures:desk-copy": Row(get=WRITERS, on="draft"),
    "procedures:desk-cause": Row(get=WRITERS, on="draft"),
    "procedures:remarks": Row(get=WRITERS, on="draft"),
    "procedures:remark": Row(post=WRITERS, on="in-review", sent=once(text="Which terminal?", step="look"), does=BOTH),
    "procedures:compared": Row(get=STAFF, on="published", more=(1,)),
    "procedures:paper": Row(get=STAFF, on="published"),
    "procedures:label": Row(get=STAFF, more=("horn-silent",)),
    "procedures:draft": Row(post=WRITERS, on="published", does=ALL),
    "procedures:review": Row(post=WRITERS, on="draft", does=BOTH),
    "procedures:send-back": Row(post=REVIEWERS, on="in-review", sent=once(why="Limit?"), does=BOTH),
    "procedures:publish": Row(post=REVIEWERS, on="in-review", does=THEIRS),
    "procedures:withdraw": Row(post=REVIEWERS, on="published", sent=once(why="Wrong."), does=BOTH),
    "jobs:list": Row(get=STAFF),
    "jobs:new": Row(get=STAFF, post=STAFF, sent=intake, does=ALL),
    "jobs:known": Row(get=STAFF),
    "jobs:read-vin": Row(post=STAFF, answers=frozenset({422})),
    "jobs:not-a-comeback": Row(post=STAFF, on="comeback", sent=once(), does=BOTH),
    "jobs:job": Row(get=STAFF, on="job"),
    "jobs:complaint": Row(post=STAFF, on="job", sent=once(complaint_verified="yes"), does=BOTH),
    "jobs:start": Row(post=STAFF, on="job", more=("horn-silent",), sent=once(), does=BOTH),
    "jobs:repair": Row(get=STAFF, post=STAFF, on="job", sent=repair, does=BOTH),
    "jobs:note-finding": Row(get=STAFF, post=STAFF, on="job", sent=once(words="Plug is green"), does=BOTH),
    "jobs:finding": Row(get=STAFF, post=STAFF, on="finding", sent=once(how="declined"), does=BOTH),
    "jobs:close": Row(get=STAFF, post=STAFF, on="job", sent=once(disposition="declined"), does=BOTH),
    "jobs:reopen": Row(post="wmk", on="job", does=OVER),
    "jobs:write-up": Row(get=STAFF, on="job"),
    "jobs:label": Row(get=STAFF, on="job"),
    "jobs:read-vehicles": Row(get="k", post="k", sent=vehicle_list, answers=FORM, does=ALL),
    "jobs:vehicle-label": Row(get=STAFF, on="vehicle"),
    "jobs:technical": Row(get=STAFF, on="job"),
    "jobs:paper": Row(get=STAFF, on="job", more=("write-up",)),
    "jobs:verify": Row(get=STAFF, post=STAFF, on="repair", sent=once(cured="cured", how="Ten times."), does=BOTH),
    "jobs:run": Row(get=STAFF, on="run"),
    "jobs:chart": Row(get=STAFF, on="run"),
    "jobs:meter": Row(post=STAFF, on="run", sent=once(meter="pocket")),
    "jobs:take-over": Row(post=STAFF, on="run", does=THEIRS),
    "jobs:stop": Row(get=STAFF, post=STAFF, on="run", sent=once(why="The bus must go.", stays="on"), does=MINE),
    "jobs:move": Row(post=STAFF, on="old-run", does=MINE),
    "jobs:value": Row(get=STAFF, post=STAFF, on="run", more=("battery",), sent=once(typed="12.4"), does=MINE),
    "jobs:step": Row(get=STAFF, on="run", more=("press",)),
    "jobs:answer": Row(get=STAFF, post=STAFF, on="run", more=("press",), sent=once(outcome="click"), does=MINE),
    "jobs:skip": Row(
        get=STAFF, post=STAFF, on="run", more=("press",), sent=once(skipped="no-time", onward="click"), does=MINE
    ),
    "jobs:add-photo": Row(get=STAFF, post=STAFF, on="job", sent=once()),
    "jobs:photo": Row(get=STAFF, on="photo", answers=frozenset({404})),
    "jobs:accept": Row(get=STAFF, post=STAFF, on="hand-over", does=MINE),
    "jobs:hand-over": Row(get=STAFF, post=STAFF, on="run", sent=hand_over, does=MINE),
    "jobs:put-back": Row(post=STAFF, on="run", sent=once(part="In the cabin")),
    "jobs:undo": Row(post=STAFF, on="answer", sent=once(), does=MINE),
    "jobs:danger": Row(post=STAFF, on="run", more=("direct",), sent=once(caution="isolate-before-power"), does=MINE),
    "jobs:more": Row(get=STAFF, on="run"),
    "jobs:outbox": Row(get=STAFF),
    "jobs:locked": Row(get=STAFF),
    "jobs:token": Row(get="v" + STAFF),
    "jobs:take-item": Row(post=STAFF, on="run", visitor=401),
    "jobs:take-photo": Row(post=STAFF, on="job", visitor=401),
    "jobs:pack-step": Row(get=STAFF, on="run", more=("press",)),
    "jobs:take-form": Row(post=STAFF, visitor=401),
    "jobs:known-vehicles": Row(get=STAFF),
    "jobs:pack-repair": Row(get=STAFF, on="run"),
    "jobs:pack-verify": Row(get=STAFF, on="run"),
    "jobs:pack-finding": Row(get=STAFF, on="run"),
    "jobs:pack-end": Row(get=STAFF, on="run"),
    "jobs:begin": Row(get=STAFF),
    "jobs:pack": Row(get=STAFF, on="published", answers=frozenset({200, 404})),
    "jobs:begun": Row(get=STAFF, on="begun"),
    "jobs:begun-procedure": Row(get=STAFF, more=(BEGUN, "horn-silent", 1)),
    "jobs:begun-page": Row(get=STAFF, more=(BEGUN, "horn-silent", 1, "steps/press")),
    "jobs:take-item-begun": Row(post=STAFF, on="begun", visitor=401),
    "jobs:take-photo-begun": Row(post=STAFF, on="begun", visitor=401),
    "worker": Row(get="v" + STAFF),
    "upkeep:audit": Row(get="k"),
    "upkeep:audit-file": Row(get="k"),
    "upkeep:readers": Row(get="k"),
    "bench:bench": Row(get=STAFF),
    "bench:computation": Row(get=STAFF, more=("copper-cable-drop",)),
    "reports:figures": Row(get="mk"),
    "reports:page": Row(get="mk", more=("tests",)),
    "reports:decide": Row(
        get="wmk",
        get_theirs="mk",
        post="wmk",
        post_theirs="mk",
        on="suggestion",
        sent=watched,
        does=ALL,
        answers=FORM,
    ),
    "reports:office": Row(get="mk"),
    "reports:month": Row(get="mk", more=("2026-03",)),
    "reports:person": Row(get=STAFF, get_theirs="mk", on="person"),
    "reports:vehicle": Row(get=STAFF, on="vehicle"),
    "reports:replay": Row(get=WRITERS, on="draft"),
    "reports:order": Row(get="wmk", on="draft"),
    "reports:readings": Row(get=STAFF, on="published"),
    "reports:take-order": Row(post=WRITERS, on="draft"),
    "reports:without": Row(get="wmk", on="draft", more=("look",)),
    "reports:take-without": Row(
        post=WRITERS,
        on="draft",
        more=("look",),
        sent=lambda _arguments: {"answer": "clean"},
        does=frozenset({ARCHIVED}),
    ),
    "switch": Row(get=STAFF, post=STAFF),
    "second-factor": Row(get=STAFF, post=STAFF),
    "second-factor-set": Row(get=STAFF, post=STAFF, answers=frozenset({200, 302, 422})),
    "pin": Row(get=STAFF, post=STAFF),
    "password": Row(get=STAFF, post=STAFF),
    "hosting:choices": Row(get="k", post="k", answers=frozenset({200, 302, 422})),
    "hosting:next": Row(get="k"),
    "hosting:by-itself": Row(get="k", post="k"),
    "hosting:encryption": Row(get="k", post="k"),
    "hosting:tablets": Row(get=STAFF),
    "hosting:trust": Row(get="v" + STAFF, answers=frozenset({404})),
    "hosting:authority": Row(get="v" + STAFF, answers=frozenset({404})),
    "hosting:opening": Row(get="v" + STAFF, post="v" + STAFF, more=("no-such-token",), answers=frozenset({404})),
}

ADMIN: dict[str, str] = {"catalog": WRITERS, "accounts": "k"}
"""Who may enter Django's admin, by room."""

COMMANDS: dict[str, str] = {
    "audit_log": "reads",
    "backup": "reads; writes a file",
    "check_flows": "reads",
    "check_trees": "reads; --repair writes",
    "compare_truth": "reads",
    "demo": "writes, in the demo's own database only",
    "export_flows": "reads",
    "export_month": "reads; writes files",
    "first_account": "writes one keeper, if there is none",
    "fit_strengths": "writes figures",
    "flow_schema": "reads",
    "flush": "empties the database after asking",
    "import_vehicles": "writes as --by, whose rights count; --dry-run reads",
    "import_flows": "writes as --author, whose rights count",
    "load_catalog": "writes; what procedures use as a proposal of --by, whose rights count",
    "measure_quality": "writes figures",
    "move_database": "reads; writes an empty database",
    "rebuild_evidence": "writes tallies; --dry-run reads",
    "report": "reads",
    "restore": "writes an empty database",
    "salvage": "reads; writes a new folder",
    "serve": "serves",
    "shop": "makes an empty database, upgrades an older one; serves",
    "verify": "reads; --repair writes",
    "write_up": "reads; writes a file",
}
"""Commands are for whoever may log in to the computer itself; what each does with the rows."""
