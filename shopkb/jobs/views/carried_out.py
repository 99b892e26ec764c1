"""Repairs as a page tells them: with the answer and the reading that proved the cause, and how long it all took."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from shopkb.core.flow.model import Proof
from shopkb.jobs.closed_jobs import latest_verification
from shopkb.jobs.models import MeasuredAgain, Repair, RepairPart, Verification
from shopkb.jobs.parts_cost import parts_in_words
from shopkb.jobs.run_state import RunState
from shopkb.jobs.views.run_texts import answer_text, reading_text

PROVEN_BY = {
    Proof.SEEN.value: "Proven, seen with the eye",
    Proof.MEASURED.value: "Proven by measurement",
    Proof.SUBSTITUTED.value: "Proven with another part in its place",
}


@dataclass(frozen=True, slots=True)
class CarriedOut:
    """A repair, its latest verification, its parts, and the step, answer and reading that its proof rested on (empty:
    none), with what the same step said when it was done again for that verification."""

    repair: Repair
    verification: Verification | None
    parts: tuple[RepairPart, ...] = ()
    step: str = ""
    answer: str = ""
    reading: str = ""
    again: MeasuredAgain | None = None
    answer_again: str = ""
    reading_again: str = ""

    @property
    def cured(self) -> bool:
        return self.verification is not None and self.verification.cured == Verification.Cured.YES

    @property
    def failed(self) -> bool:
        """Whether what it was made for is still there."""
        return self.verification is not None and self.verification.cured == Verification.Cured.NO

    @property
    def is_beside(self) -> bool:
        """Whether it put right another fault that was found. Needs ``settles`` loaded to cost no query."""
        return bool(self.repair.settles.all())

    @property
    def proof_words(self) -> str:
        """How sure the cause is, for whoever pays."""
        if self.repair.proof == Proof.ELIMINATION.value:
            return "The only one left after the others were ruled out"
        if self.repair.weak:
            return f"Likely, by what was {self.repair.proof}, but not for certain"
        return PROVEN_BY[self.repair.proof]

    @property
    def beside_words(self) -> str:
        """Whether the other fault that it put right is gone; empty where nobody has looked."""
        told = {Verification.Cured.YES: "It is gone.", Verification.Cured.NO: "It is still there."}
        return told.get(Verification.Cured(self.verification.cured), "Not checked.") if self.verification else ""

    @property
    def without_lines(self) -> str:
        """Parts told in words alone."""
        return parts_in_words(self.repair)


@dataclass(frozen=True, slots=True)
class MinutesTested:
    """Minutes that the steps took. Not ``all_known``: of some it is not known, so it took longer."""

    minutes: float
    all_known: bool


def carried_out(repair: Repair, states: Sequence[RunState]) -> CarriedOut:
    """Needs ``verifications``, ``part_lines``, ``measured_again`` and ``result`` loaded to cost no query."""
    checked, row, parts = latest_verification(repair), repair.result, tuple(repair.part_lines.all())
    state = next((state for state in states if row is not None and state.run.pk == row.run_id), None)
    step = state.flow.step_by_key.get(row.step) if state is not None and row is not None else None
    if row is None or state is None or step is None:
        return CarriedOut(repair, checked, parts)
    told = CarriedOut(repair, checked, parts, step.title, answer_text(state.flow, row), reading_text(row))
    rows = repair.measured_again.all()
    again = next((one for one in rows if checked is not None and one.client_id == checked.client_id), None)
    if again is None:
        return told
    label = next((outcome.label for outcome in step.outcomes if outcome.key == again.outcome), "no answer fits it")
    return replace(told, again=again, answer_again=label, reading_again=reading_text(again))


def in_order(repairs: Sequence[CarriedOut]) -> dict[str, list[CarriedOut]]:
    """Repairs as a customer asks for them: ``proved`` are those that cured, or of which it is not known yet, ``failed``
    those after which the complaint stayed, each the latest first; ``beside`` put right another fault. Where only such a
    one cured the complaint, it is among the proved. Needs ``settles`` loaded to cost no query."""
    told: dict[str, list[CarriedOut]] = {"proved": [], "failed": [], "beside": []}
    others = [done for done in repairs if done.is_beside]
    cured_otherwise = any(done.cured for done in repairs if done not in others)
    for done in reversed(repairs):
        beside = done in others and (cured_otherwise or not done.cured)
        told["beside" if beside else "failed" if done.failed else "proved"].append(done)
    cured = [done for done in told["proved"] if done.cured]
    told["proved"] = [*cured, *(done for done in told["proved"] if not done.cured)]
    return told


def minutes_tested(states: Sequence[RunState]) -> MinutesTested | None:
    """Of all steps done in these runs, those answered again or taken back too; ``None`` where of none it is known."""
    rows = [row for state in states for row in state.rows]
    known = [row.seconds for row in rows if row.seconds is not None]
    if not known:
        return None
    return MinutesTested(sum(known) / 60, len(known) == len(rows))
