"""The causes sent through a flow, from its start to its ends: what arrives where, after how many minutes."""

from __future__ import annotations

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel, Test
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.model import Flow, Go, GoKind
from shopkb.core.flow.paths import loops, order

Node = tuple[str, frozenset[str]]
"""A step, with the set-up states reached before it (those that cost minutes)."""


class ForwardPass:
    """The probability mass of every cause sent through ``flow``, which has a start and no loop.

    ``arriving`` holds for each node 3 x causes: mass, mass x minutes and mass x minutes squared. ``nodes`` are in the
    order they are reached. ``traffic`` is the mass by cause on each branch (step, outcome). ``first`` and ``second``
    are the moments of the minutes at the ends, by cause; ``right``, ``wrong``, ``dead_end`` and ``handed_over`` the
    chances of the four kinds of end.
    """

    def __init__(self, flow: Flow, model: CauseModel) -> None:
        self.flow, self.model = flow, model
        self.arriving: dict[Node, Array] = {}
        self.nodes: list[Node] = []
        self.first = np.zeros(len(model.causes))
        self.second = np.zeros(len(model.causes))
        self.right = self.wrong = self.dead_end = self.handed_over = 0.0
        self.traffic = {(step.key, outcome.key): np.zeros(len(model.causes)) for step, outcome in flow.branches}
        self._run()

    def test(self, step: str) -> Test:
        """The step as a test of the model."""
        return self.model.tests[self.model.test_of[self.flow.procedure, step]]

    def states_after(self, node: Node) -> frozenset[str]:
        """The set-up states reached once the node's step is done."""
        access = self.test(node[0]).access
        return node[1] | {access} if self.model.access_minutes.get(access, 0.0) > 0 else node[1]

    def minutes(self, node: Node) -> tuple[float, float]:
        """Mean minutes of the node's step with its set-up, and the variance of the step's minutes."""
        if not self.flow.step_by_key[node[0]].outcomes:  # of a draft: nothing is learned of it, and it is an end
            return 0.0, 0.0
        test = self.test(node[0])
        setup = 0.0 if test.access in node[1] else self.model.access_minutes.get(test.access, 0.0)
        return test.minutes + setup, test.variance

    def _run(self) -> None:
        moments = np.zeros((3, len(self.model.causes)))
        moments[0] = self.model.prior
        self.arriving[self.flow.start, frozenset()] = moments
        for key in order(self.flow):
            for node in [node for node in self.arriving if node[0] == key]:
                self.nodes.append(node)
                self._leave(node)

    def _leave(self, node: Node) -> None:
        mean, variance = self.minutes(node)
        mass, first, second = self.arriving[node]
        if not self.flow.step_by_key[node[0]].outcomes:
            self._end(Go(GoKind.NOWHERE), self.arriving[node])
            return
        moved = np.stack([mass, first + mean * mass, second + 2 * mean * first + (mean**2 + variance) * mass])
        after = self.states_after(node)
        for outcome in self.flow.step_by_key[node[0]].outcomes:
            row = self.model.row_of[self.flow.procedure, node[0], outcome.key]
            part = moved * self.model.table[row]
            self.traffic[node[0], outcome.key] += part[0]
            if outcome.go.kind is GoKind.STEP and outcome.go.key in self.flow.step_by_key:
                there = (outcome.go.key, after)
                self.arriving[there] = self.arriving[there] + part if there in self.arriving else part
            else:
                self._end(outcome.go, part)

    def _end(self, go: Go, part: Array) -> None:
        self.first += part[1]
        self.second += part[2]
        total = float(part[0].sum())
        if go.kind is GoKind.CAUSE and go.key in self.flow.cause_by_key:
            hit = float(part[0][self.model.column_of[self.flow.cause_by_key[go.key].identity]])
            self.right += hit
            self.wrong += total - hit
        elif go.kind is GoKind.HAND_OVER:
            self.handed_over += total
        else:
            self.dead_end += total


def set_up_shares(flow: Flow, model: CauseModel) -> dict[str, float]:
    """For each step, the share of the jobs coming to it by the written order that have to reach its set-up state first.

    A step that nothing leads to is taken to need it. Empty for a flow without a start or with a loop.
    """
    if flow.start not in flow.step_by_key or loops(flow):
        return {}
    coming, first = dict.fromkeys(flow.step_by_key, 0.0), dict.fromkeys(flow.step_by_key, 0.0)
    for (step, states), moments in ForwardPass(flow, model).arriving.items():
        mass = float(moments[0].sum())
        coming[step] += mass
        first[step] += mass * (flow.step_by_key[step].access not in states)
    return {key: first[key] / coming[key] if coming[key] > 0 else 1.0 for key in coming}
