"""Two people with a device each and a network that comes and goes: no answer lost, none twice, one step to do now.

The machine plays what the devices do (tests/journeys/test_offline.py holds the devices to it): answer at once or into
the outbox, send the outbox in order, some of it twice, take the run over. ``SHOPKB_CASES`` plays more.
"""

from __future__ import annotations

import os
import uuid
from dataclasses import dataclass, field

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from shopkb.accounts.models import User
from shopkb.core.flow.model import Flow
from shopkb.jobs.actions import following, handing_over
from shopkb.jobs.actions.receiving import Receipt, receive
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import Result, Run
from shopkb.jobs.run_results import effective_results, walk_of
from shopkb.procedures.models import Procedure
from shopkb.procedures.storing import flow_of
from shopkb.upkeep.invariants import broken_invariants
from tests import builders
from tests.builders import in_force
from tests.conftest import NOW

CASES = int(os.environ.get("SHOPKB_CASES", "12"))
READINGS = {
    ("supply", "full"): "12.4", ("supply", "weak"): "7", ("supply", "absent"): "0.1", ("ground", "good"): "0.05",
    ("ground", "bad"): "0.9",
}  # fmt: skip


@dataclass
class Device:
    """What one device shows and keeps."""

    who: User
    at: str
    """The step on its screen; empty at an end."""
    outbox: list[dict[str, str]] = field(default_factory=list)
    online: bool = True


class TwoDevices(RuleBasedStateMachine):
    run: Run
    flow: Flow
    people: tuple[User, User]
    again: int

    def __init__(self) -> None:
        super().__init__()
        type(self).again += 1
        job = builders.take_in(self.people[0])
        procedure = Procedure.objects.get(key="horn-silent")
        self.run = builders.start(job, procedure, self.people[0])
        self.first = self.run.values.get().pk
        self.devices = [Device(who, self.flow.start) for who in self.people]
        self.given: dict[str, dict[str, str]] = {}
        self.told: dict[str, str] = {}
        self.receipts: dict[str, Receipt] = {}

    @rule(number=st.integers(0, 1), choice=st.integers(0, 2), reading=st.booleans())
    def answers(self, number: int, choice: int, reading: bool) -> None:
        """The step on the screen, with or without a reading that fits."""
        device = self.devices[number]
        if not device.at:
            return
        step = self.flow.step_by_key[device.at]
        outcome = step.outcomes[choice % len(step.outcomes)]
        typed = READINGS.get((step.key, outcome.key), "") if reading else ""
        item = {
            "kind": "answer", "client_id": str(uuid.uuid4()), "step": step.key, "outcome": outcome.key, "typed": typed,
            "override_why": "" if typed else "Seen without a meter.", "replaces": self._seen(device, step.key),
        }  # fmt: skip
        self.given[item["client_id"]] = item
        device.outbox.append(item)
        device.at = outcome.go.key if outcome.go.key in self.flow.step_by_key else ""
        if device.online:
            self._send(device)

    @rule(number=st.integers(0, 1), tenths=st.integers(120, 130))
    def tells_a_value(self, number: int, tenths: int) -> None:
        device = self.devices[number]
        typed = f"{tenths / 10}"
        item = {"kind": "value", "client_id": str(uuid.uuid4()), "key": "battery", "typed": typed, "step": ""}
        self.told[item["client_id"]] = typed
        device.outbox.append(item)
        if device.online:
            self._send(device)

    @rule(number=st.integers(0, 1), choice=st.integers(0, 3))
    def goes_back(self, number: int, choice: int) -> None:
        """To a step that was answered already, on the screen of a device that is online."""
        if self.devices[number].online:
            path = [key for key, _route in walk_of(self.flow, self._rows()).path]
            self.devices[number].at = path[choice % len(path)] if path else self.flow.start

    @rule(number=st.integers(0, 1))
    def loses_the_network(self, number: int) -> None:
        self.devices[number].online = False

    @rule(number=st.integers(0, 1), twice=st.booleans())
    def finds_the_network(self, number: int, twice: bool) -> None:
        device = self.devices[number]
        device.online = True
        sent = list(device.outbox)
        self._send(device)
        if twice:  # the reply was lost: everything once more
            device.outbox = sent
            self._send(device)
        self._look(device)

    @rule(number=st.integers(0, 1))
    def takes_over(self, number: int) -> None:
        device = self.devices[number]
        if device.online:
            handing_over.take_over(self.run, by=device.who, at=NOW, client_id=uuid.uuid4())
            self._look(device)

    @rule(number=st.integers(0, 1))
    def undoes(self, number: int) -> None:
        device = self.devices[number]
        rows = self._rows()
        if not device.online or not rows:
            return
        try:
            following.retract(rows[-1], by=device.who, at=NOW, client_id=uuid.uuid4())
        except NotPossible:
            return
        self._look(device)

    @invariant()
    def no_answer_is_lost_and_none_is_there_twice(self) -> None:
        stored = [str(one) for one in self.run.results.values_list("client_id", flat=True)]
        waiting = [item["client_id"] for device in self.devices for item in device.outbox]
        values = [*self.run.values.exclude(pk=self.first).values_list("client_id", "typed")]
        values += self.run.late_values.values_list("client_id", "typed")
        assert all(self.told[str(sent)] == typed for sent, typed in values)
        assert sorted([*stored, *(str(sent) for sent, _typed in values), *waiting]) == sorted([*self.given, *self.told])

    @invariant()
    def what_is_stored_is_what_was_given_by_whom(self) -> None:
        for row in self.run.results.all():
            item = self.given[str(row.client_id)]
            assert (row.step, row.outcome, row.typed) == (item["step"], item["outcome"], item["typed"])

    @invariant()
    def one_step_is_to_be_done_now(self) -> None:
        run = Run.objects.get(pk=self.run.pk)
        current = walk_of(self.flow, self._rows()).current
        assert (run.state == Run.State.ENDED) == (current == "")
        steps = [row.step for row in effective_results(self.flow, self._rows())]
        assert len(steps) == len(set(steps))
        assert current not in steps

    @invariant()
    def what_is_kept_aside_does_not_count(self) -> None:
        aside = {str(one) for one in Result.objects.late().filter(run=self.run).values_list("client_id", flat=True)}
        aside |= {str(one) for one in self.run.late_values.values_list("client_id", flat=True)}
        assert aside == {one for one, receipt in self.receipts.items() if not receipt.counts}
        assert self.run.values.get().pk == self.first

    def teardown(self) -> None:
        for device in self.devices:
            device.online = True
            self._send(device)
        self.no_answer_is_lost_and_none_is_there_twice()
        assert [device.outbox for device in self.devices] == [[], []]
        assert broken_invariants() == []

    def _send(self, device: Device) -> None:
        while device.outbox:
            item = device.outbox[0]
            receipt = receive(self.run, item, by=device.who, at=NOW)
            assert self.receipts.setdefault(item["client_id"], receipt) == receipt
            device.outbox.pop(0)

    def _look(self, device: Device) -> None:
        """The page of the run, loaded afresh."""
        device.at = walk_of(self.flow, self._rows()).current

    def _seen(self, device: Device, step: str) -> str:
        """The answer to this step that the device shows: its own that waits, else the one of the page it loaded."""
        mine = [item["client_id"] for item in device.outbox if item["step"] == step]
        if mine or not device.online:
            return mine[-1] if mine else ""
        standing = [row for row in effective_results(self.flow, self._rows()) if row.step == step]
        return str(standing[-1].client_id) if standing else ""

    def _rows(self) -> list[Result]:
        return list(self.run.results.not_retracted())


@pytest.mark.django_db
def test_two_devices(horn: Procedure, junior: User, senior: User) -> None:
    class Played(TwoDevices):
        flow = flow_of(in_force(horn))
        people = (junior, senior)
        again = 0

    Played.TestCase.settings = settings(max_examples=CASES, stateful_step_count=16)
    run_state_machine_as_test(Played, settings=Played.TestCase.settings)
    assert Played.again > 1
