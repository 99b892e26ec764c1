"""Whole jobs on two devices, from booking in to the hand-over: the record of pages with the network, nothing lost,
nothing twice."""

from __future__ import annotations

import json
import uuid
from dataclasses import dataclass
from typing import Any

from django.db import models, transaction
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shopkb.accounts.models import User
from shopkb.catalog.models import Platform
from shopkb.jobs.models import (
    Finding,
    HandOver,
    Job,
    LateValue,
    Repair,
    RepairPart,
    Result,
    Run,
    RunValue,
    Verification,
)
from shopkb.procedures.models import Procedure
from shopkb.upkeep.invariants import broken_invariants
from tests import builders
from tests.builders import TO_GROUND, TO_HORN, TO_OUT, TO_RELAY, signed_in

Item = dict[str, Any]

KEPT: dict[str, tuple[type[models.Model], ...]] = {
    "intake": (Job,), "start": (Run,), "value": (RunValue, LateValue), "answer": (Result,), "finding": (Finding,),
    "repair": (Repair,), "verify": (Verification,), "hand-over": (HandOver,),
}  # fmt: skip
"""Where an item is stored, under its own id."""
CAUSES = {
    TO_HORN: ("body/horn/horn", "open circuit"), TO_GROUND: ("body/horn/earth", "high resistance"),
    TO_RELAY: ("body/horn/relay", "burnt contacts"), TO_OUT: ("body/horn/relay", "burnt contacts"),
}  # fmt: skip
FAULTS = ("Oil below the engine.", "Tyre worn to the cords.", "Wiper torn.")


@dataclass(frozen=True)
class Plan:
    """What one person does on a vehicle: the way through the procedure, other faults met and after how many answers,
    what each repair came to, and whether somebody else goes on."""

    way: tuple[tuple[str, str, str], ...]
    faults: tuple[tuple[int, str], ...]
    repairs: tuple[str, ...]
    passed_on: bool


PLANS = st.builds(
    Plan,
    way=st.sampled_from([TO_HORN, TO_GROUND, TO_RELAY, TO_OUT]),
    faults=st.lists(st.tuples(st.integers(0, 4), st.sampled_from(FAULTS)), max_size=2).map(tuple),
    repairs=st.sampled_from([(), ("cured",), ("not-cured",), ("not-cured", "cured"), ("not-checked",)]),
    passed_on=st.booleans(),
)
TURNS = st.lists(st.tuples(st.integers(0, 1), st.integers(1, 3)), max_size=60)


def item(kind: str, run: str = "", **more: Any) -> Item:
    return {"kind": kind, "client_id": str(uuid.uuid4()), "run": run, **more}


def form(**fields: object) -> dict[str, list[object]]:
    return {name: value if isinstance(value, list) else [value] for name, value in fields.items()}


def day_of(plan: Plan, number: int, horn: Procedure, to: User) -> list[Item]:
    """Everything as one device keeps it, in order."""
    platform = Platform.objects.get(path="curlew/dunlin").pk
    booked = item("intake", fields=form(
        registration=f"SB 30{number}", platform=platform, complaint=f"Horn {number} dumb.", complaint_verified="yes",
    ))  # fmt: skip
    began = item("start", job=booked["client_id"], fields=form(procedure=horn.key, number=1), at="2026-03-02T10:00:00Z")
    began["run"] = run = began["client_id"]
    done = [
        item("answer", run, step=step, outcome=outcome, typed=typed, replaces="") for step, outcome, typed in plan.way
    ]
    for place, words in reversed(plan.faults):
        done.insert(place, item("finding", run, fields=form(words=f"{words} {place}")))
    return [booked, began, item("value", run, key="battery", typed="12.6"), *done, *after(plan, number, run, to)]


def after(plan: Plan, number: int, run: str, to: User) -> list[Item]:
    """Repairs, their checks, and the hand-over."""
    found: list[Item] = []
    for count, came_to in enumerate(plan.repairs):
        fields = form(
            cause=builders.cause_for(*CAUSES[plan.way]).pk, proof="measured", correction=f"Done {number} {count}.",
            minutes="9", **{"part-TOTAL_FORMS": "1", "part-0-words": "Eyelet", "part-0-quantity": "2"},
        )  # fmt: skip
        repair = item("repair", run, fields=fields)
        found += [repair, item("verify", run, repair=repair["client_id"], fields=form(cured=came_to, how="In rain."))]
    if plan.passed_on:
        said = form(receiver=to.pk, reason=f"Shift {number} ends.", off_vehicle="", excluded="Fuse.")
        found.append(item("hand-over", run, fields=said))
    return found


def deliver(client: Client, one: Item) -> HttpResponse:
    """As the device sends it."""
    if "fields" in one:
        return client.post(reverse("jobs:take-form"), json.dumps(one), content_type="application/json")  # type: ignore[return-value]
    begun = "-" in one["run"]
    address = reverse(f"jobs:take-item{'-begun' if begun else ''}", args=[one["run"] if begun else int(one["run"])])
    sent = {name: value for name, value in one.items() if name != "run"}
    return client.post(address, json.dumps(sent), content_type="application/json")  # type: ignore[return-value]


def at_the_pages(client: Client, one: Item, horn: Procedure) -> None:
    """The same with the network: through the page that each thing has."""
    sent = {**one.get("fields", {}), "client_id": [one["client_id"]]}
    for name in ("typed", "outcome"):
        if name in one:
            sent[name] = [one[name]]
    reply = client.post(page_for(one, horn), sent)
    assert reply.status_code == 302, (one, reply.content.decode()[:2000])


def page_for(one: Item, horn: Procedure) -> str:
    if one["kind"] == "intake":
        return reverse("jobs:new")
    if one["kind"] == "start":
        return reverse("jobs:start", args=[Job.objects.get(client_id=one["job"]).pk, horn.key])
    run = Run.objects.get(client_id=one["run"])
    last = run.results.last()  # of the ways here, the one that ends with a sound names no cause
    end = last if last and last.outcome != "sounds" and not run.job.repairs.exists() else None
    pages = {
        "value": lambda: reverse("jobs:value", args=[run.pk, one["key"]]),
        "answer": lambda: reverse("jobs:answer", args=[run.pk, one["step"]]),
        "finding": lambda: reverse("jobs:note-finding", args=[run.job_id]),
        "repair": lambda: reverse("jobs:repair", args=[run.job_id]) + (f"?result={end.pk}" if end else ""),
        "verify": lambda: reverse("jobs:verify", args=[Repair.objects.get(client_id=one["repair"]).pk]),
        "hand-over": lambda: reverse("jobs:hand-over", args=[run.pk]),
    }
    return pages[one["kind"]]()


def record() -> dict[str, list[tuple[object, ...]]]:
    """What is stored, in the order it was stored for each job; without numbers and moments."""
    of: dict[str, Any] = {
        "jobs": Job.objects.values_list("complaint", "vehicle__registration", "opened_by", "complaint_verified"),
        "runs": Run.objects.values_list("job__complaint", "revision", "holder", "state", "came_from"),
        "values": RunValue.objects.values_list("run__job__complaint", "key", "typed", "magnitude", "unit", "who"),
        "late": LateValue.objects.values_list("run__job__complaint", "key", "typed", "who"),
        "answers": Result.objects.not_retracted().values_list(
            "run__job__complaint", "step", "outcome", "typed", "reading", "unit", "verdict", "override_why", "who"
        ),
        "faults": Finding.objects.values_list("job__complaint", "words", "who"),
        "repairs": Repair.objects.values_list(
            "job__complaint", "cause", "correction", "proof", "weak", "minutes", "result__step", "who"
        ),
        "parts": RepairPart.objects.values_list("repair__job__complaint", "words", "quantity"),
        "checks": Verification.objects.values_list("repair__correction", "cured", "how", "who"),
        "hand-overs": HandOver.objects.values_list("reason", "giver", "receiver", "step", "excluded"),
    }
    return {name: sorted(rows.order_by("pk"), key=lambda row: str(row[0])) for name, rows in of.items()}


@settings(
    max_examples=12, deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
@given(plans=st.tuples(PLANS, PLANS), turns=TURNS)
def test_whole_jobs_kept_by_two_devices_give_the_record_of_the_pages(
    horn: Procedure, junior: User, senior: User, plans: tuple[Plan, Plan], turns: list[tuple[int, int]]
) -> None:
    """Each device sends its own in order; in whatever turn, and however many replies are lost on the way."""
    people, records = (junior, senior), []
    clients = [signed_in(person) for person in people]
    for away in (False, True):
        with transaction.atomic():
            days = [day_of(plan, number, horn, people[1 - number]) for number, plan in enumerate(plans)]
            if away:
                for number, times in turns:
                    if days[number]:
                        one = days[number].pop(0)
                        assert {deliver(clients[number], one).status_code for _ in range(times)} == {200}
            for number, rest in enumerate(days):
                for one in rest:
                    if away:
                        assert deliver(clients[number], one).status_code == 200, one
                    else:
                        at_the_pages(clients[number], one, horn)
            records.append(record())
            assert broken_invariants() == []
            transaction.set_rollback(True)
    assert records[1] == records[0]


@settings(
    max_examples=15, deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
@given(plans=st.tuples(PLANS, PLANS), turns=TURNS)
def test_two_devices_on_one_job_lose_nothing_and_store_nothing_twice(
    horn: Procedure, junior: User, senior: User, plans: tuple[Plan, Plan], turns: list[tuple[int, int]]
) -> None:
    """What is taken is stored once, under its own id, whatever was sent again; what is not is told in words and stays
    on the device. The same item gets the same answer for ever."""
    people = (junior, senior)
    clients = [signed_in(person) for person in people]
    with transaction.atomic():
        run = builders.start(builders.take_in(junior), horn, junior)
        days = [
            [one | {"run": str(run.pk)} for one in day_of(plan, number, horn, people[1 - number])[2:]]
            for number, plan in enumerate(plans)
        ]
        given_items = [(number, one) for number, day in enumerate(days) for one in day]
        told: dict[str, tuple[int, str]] = {}
        for number, times in [*turns, *[(0, 1)] * 99, *[(1, 1)] * 99]:
            if days[number]:
                one = days[number].pop(0)
                replies = {(reply.status_code, reply.content.decode()) for reply in [
                    deliver(clients[number], one) for _ in range(times)
                ]}  # fmt: skip
                assert len(replies) == 1, one
                told[one["client_id"]] = replies.pop()
        for _number, one in given_items:
            status, words = told[one["client_id"]]
            stored = sum(kind.objects.filter(client_id=one["client_id"]).count() for kind in KEPT[one["kind"]])  # type: ignore[attr-defined]
            assert (status, stored) in {(200, 1), (422, 0), (409, 0)}, (one, words)
            assert status == 200 or json.loads(words)["error"]
        for number, one in given_items:
            status, words = told[one["client_id"]]
            if status == 200:
                again = deliver(clients[number], one)
                assert (again.status_code, again.content.decode()) == (status, words)
        assert broken_invariants() == []
        transaction.set_rollback(True)
