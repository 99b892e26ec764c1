"""One model of causes for a job on which several procedures were followed.

The model rests on which procedures were followed, not on the order in which. A cause that two procedures list is one
cause. What lies behind a hand-over of one procedure is, where the procedure handed over to was followed too, split
among the causes that this one lists, in proportion to what it believes of them; its tests tell them apart, and to the
tests of the first they stand behind the branches that hand over. To a test, a cause that its procedure neither lists
nor can hand over for is ``other``.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shopkb.core.diagnosis.belief.cause_model import CauseModel, RepairAction, Test
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.hand_overs import CausesBehind


@dataclass(frozen=True, eq=False)
class FollowedProcedure:
    """One procedure followed on a job, with its model.

    ``hands_over_to`` are all procedures that it hands over to, directly or through others. ``weight`` is how often such
    jobs start in it rather than in another, in any unit; it matters only where several were followed and none hands
    over to the other.
    """

    procedure: str
    model: CauseModel
    hands_over_to: frozenset[str] = frozenset()
    weight: float = 1.0


def joined(followed: Sequence[FollowedProcedure]) -> CauseModel:
    """One model for all procedures followed on a job, in whatever order. O(branches x causes).

    Raises:
        ValueError: no procedure is given, or one twice.
    """
    if not followed:
        raise ValueError("At least one procedure must have been followed.")
    if len({one.procedure for one in followed}) < len(followed):
        raise ValueError("A procedure was given twice; give each procedure once, with all its results.")
    if len(followed) == 1:
        return followed[0].model
    return _Joining({one.procedure: one for one in sorted(followed, key=lambda one: one.procedure)}).model()


class _Joining:
    """The causes of all procedures: those that some procedure lists, then what is left behind hand-overs, then other.

    ``columns`` gives, by procedure, the column of its own model that each of them has.
    """

    def __init__(self, followed: Mapping[str, FollowedProcedure]) -> None:
        self.followed = followed
        self.models = {key: one.model for key, one in followed.items()}
        listed = dict.fromkeys(cause for model in self.models.values() for cause in _listed(model))
        self.left = _left_behind(self.models, listed)
        self.causes = (*listed, *(part.identity for part in self.left), OTHER)
        self.place = {identity: column for column, identity in enumerate(self.causes)}
        self.columns = {key: self._columns(model) for key, model in self.models.items()}

    def _columns(self, model: CauseModel) -> NDArray[np.intp]:
        known = {cause: model.column_of[part.identity] for part in model.behind for cause in part.causes}
        known.update({cause: model.column_of[cause] for cause in _listed(model)})
        other = len(model.causes) - 1
        listed = [known.get(cause, other) for cause in self.causes[: -1 - len(self.left)]]
        left = [known.get(min(part.causes), other) for part in self.left]
        return np.array([*listed, *left, other], dtype=np.intp)

    def model(self) -> CauseModel:
        models, prior = list(self.models.values()), self._prior()
        access_minutes: dict[str, float] = {}
        for model in reversed(models):
            access_minutes.update(model.access_minutes)
        return CauseModel(
            causes=self.causes,
            names=self._names(),
            prior=prior,
            branches=tuple(branch for model in models for branch in model.branches),
            table=self._stacked({key: model.table for key, model in self.models.items()}),
            tests=self._tests(),
            repairs=self._repairs(),
            evidence=self._evidence(),
            access_minutes=access_minutes,
            corrected=tuple(step for model in models for step in model.corrected),
            behind=self.left,
            recalibration=models[0].recalibration,
            **self._weights(prior),
        )

    def _stacked(self, tables: Mapping[str, Array]) -> Array:
        return np.vstack([table[:, self.columns[key]] for key, table in tables.items()])

    def _evidence(self) -> Array | None:
        known = {key: model.evidence for key, model in self.models.items() if model.evidence is not None}
        return self._stacked(known) if len(known) == len(self.models) else None

    def _weights(self, prior: Array) -> dict[str, Array]:
        """Those that prior and table are the means of: together as sure of the causes as the first procedures are."""
        tables = {key: model.table_weights for key, model in self.models.items() if model.table_weights is not None}
        sums = [model.prior_weights.sum() for model in self.models.values() if model.prior_weights is not None]
        if len(tables) < len(self.models) or len(sums) < len(self.models):
            return {}
        first = [self.models[key].prior_weights for key in self._first()]
        sure = float(np.mean([weights.sum() for weights in first if weights is not None]))
        return {"prior_weights": np.maximum(prior * sure, 1e-6), "table_weights": self._stacked(tables)}

    def _tests(self) -> tuple[Test, ...]:
        tests: list[Test] = []
        rows = 0
        for model in self.models.values():
            tests += [replace(test, start=test.start + rows, stop=test.stop + rows) for test in model.tests]
            rows += len(model.branches)
        return tuple(tests)

    def _repairs(self) -> tuple[RepairAction, ...]:
        """Of all procedures; a cause that one of them repairs is not repaired again by the next."""
        repairs: list[RepairAction] = []
        known: set[int] = set()
        for model in self.models.values():
            moved = [self._moved(repair, model, known) for repair in model.repairs]
            repairs += [repair for repair in moved if repair.causes]
            known.update(column for repair in moved for column in repair.causes)
        return tuple(repairs)

    def _moved(self, repair: RepairAction, model: CauseModel, known: Collection[int]) -> RepairAction:
        places = (self.place[model.causes[column]] for column in repair.causes)
        return repair._replace(causes=tuple(place for place in places if place not in known))

    def _names(self) -> tuple[str, ...]:
        if not all(model.names for model in self.models.values()):
            return ()
        named = {OTHER: "a cause that none of the procedures followed knows"}
        for model in self.models.values():
            named = {**dict(zip(_listed(model), model.names, strict=False)), **named}
        named.update({part.identity: part.name for part in self.left})
        return tuple(named[identity] for identity in self.causes)

    def _prior(self) -> Array:
        """What is believed at first: what those procedures believe that no other one hands over to, by weight."""
        first = self._first()
        total = sum(self.followed[key].weight for key in first)
        shares = [self.followed[key].weight / total if total > 0 else 1 / len(first) for key in first]
        belief = np.zeros(len(self.causes))
        for share, key in zip(shares, first, strict=True):
            belief += share * self._spread(key, frozenset())
        return belief

    def _first(self) -> list[str]:
        """The procedures followed that no other one hands over to, unless it is handed over to by them in turn."""
        hands_over_to = {key: one.hands_over_to for key, one in self.followed.items()}
        return [
            key
            for key in hands_over_to
            if not any(key in hands_over_to[other] and other not in hands_over_to[key] for other in hands_over_to)
        ]

    def _spread(self, procedure: str, passed: frozenset[str]) -> Array:
        """What one procedure believes of all causes at first; ``passed`` are those that handed over to it."""
        model, belief = self.models[procedure], np.zeros(len(self.causes))
        for cause in (*_listed(model), OTHER):
            belief[self.place[cause]] = model.prior[model.column_of[cause]]
        for part in model.behind:
            belief += model.prior[model.column_of[part.identity]] * self._within(part, passed | {procedure})
        return np.asarray(belief)

    def _within(self, part: CausesBehind, passed: frozenset[str]) -> Array:
        """What lies behind a hand-over, by cause; sums to 1. Each cause counts the same until a procedure that was
        followed says otherwise: the one handed over to, or else each further one of the causes that it lists."""
        inside = self._inside(part)
        for procedure in part.procedures:
            if procedure in self.models and procedure not in passed:
                belief = self._spread(procedure, passed) * (inside > 0)
                if belief.sum() > 0:
                    return np.asarray(belief / belief.sum())
        for procedure, model in self.models.items():
            if procedure not in passed:
                belief = np.zeros(inside.size)
                for cause in part.causes.intersection(_listed(model)):
                    belief[self.place[cause]] = model.prior[model.column_of[cause]]
                if belief.sum() > 0:
                    inside[belief > 0] = inside[belief > 0].sum() * belief[belief > 0] / belief.sum()
        return inside

    def _inside(self, part: CausesBehind) -> Array:
        """Share of the causes behind a hand-over, by cause; sums to 1."""
        inside = np.zeros(len(self.causes))
        for left in self.left:
            inside[self.place[left.identity]] = len(left.causes & part.causes)
        listed = [self.place[cause] for cause in part.causes if cause in self.place]
        inside[listed] = 1.0
        return np.asarray(inside / inside.sum())


def _listed(model: CauseModel) -> tuple[str, ...]:
    """The causes that the model's own procedure lists."""
    return model.causes[: len(model.causes) - 1 - len(model.behind)]


def _left_behind(models: Mapping[str, CauseModel], listed: Mapping[str, object]) -> tuple[CausesBehind, ...]:
    """What none of the procedures lists, by the hand-overs of any of them that lead to it."""
    leads: dict[str, dict[str, str]] = {}
    for model in models.values():
        for part in model.behind:
            for cause in part.causes.difference(listed):
                leads.setdefault(cause, {}).update(zip(part.procedures, part.titles, strict=True))
    groups: dict[tuple[tuple[str, str], ...], set[str]] = {}
    for cause, targets in leads.items():
        groups.setdefault(tuple(sorted(targets.items())), set()).add(cause)
    return tuple(
        CausesBehind(tuple(key for key, _ in targets), frozenset(causes), tuple(title for _, title in targets))
        for targets, causes in sorted(groups.items())
    )
