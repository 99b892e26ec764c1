"""Which procedures in force a flow hands over to, and what they can find."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from shopkb.core.flow.hand_overs import HandOverCauses, causes_behind, handed_over_to
from shopkb.core.flow.model import Flow, GoKind, Outcome
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of

InForce = Mapping[str, tuple[int, str]]
"""Primary key and checksum of the revision in force, by procedure."""


def revisions_in_force() -> dict[str, tuple[int, str]]:
    """One query."""
    rows = Revision.objects.filter(state=Revision.State.PUBLISHED).order_by("procedure__key")
    return {key: (pk, checksum) for key, pk, checksum in rows.values_list("procedure__key", "pk", "checksum")}


class FlowsInForce(Mapping[str, Flow]):
    """The flows in force by procedure, each read when it is asked for: one query for each met the first time."""

    def __init__(self, in_force: InForce) -> None:
        self._in_force = in_force

    def __getitem__(self, key: str) -> Flow:
        pk, checksum = self._in_force[key]
        return flow_of(Revision(pk=pk, checksum=checksum, state=Revision.State.PUBLISHED))

    def __iter__(self) -> Iterator[str]:
        return iter(self._in_force)

    def __len__(self) -> int:
        return len(self._in_force)


def behind(flow: Flow) -> HandOverCauses:
    """What lies behind the hand-overs of a flow, by the procedures in force. No query where it has none, else one."""
    return causes_behind(flow, FlowsInForce(revisions_in_force()) if handed_over_to(flow) else {})


def titles_behind(outcomes: Iterable[Outcome]) -> dict[str, str]:
    """Titles of the procedures that these outcomes hand over to, by key. No query where there are none, else one."""
    keys = {outcome.go.key for outcome in outcomes if outcome.go.kind is GoKind.HAND_OVER}
    return dict(Procedure.objects.filter(key__in=keys).values_list("key", "title")) if keys else {}
