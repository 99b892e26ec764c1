"""Words that the drawing and the outline share."""

from __future__ import annotations

from collections.abc import Sequence

from shopkb.charts.view import ChartOptions
from shopkb.core.flow.model import Flow, Proof, Step, TestKind

BY_ELIMINATION = "by elimination"

TEST_KIND_NAMES: dict[TestKind, str] = {
    TestKind.LOOK: "look",
    TestKind.LISTEN: "listen",
    TestKind.FEEL: "feel",
    TestKind.QUESTION: "question",
    TestKind.COMMAND: "command",
    TestKind.MEASURE: "measure",
    TestKind.SUBSTITUTE: "substitute",
    TestKind.POWER_DIRECTLY: "power directly",
    TestKind.ACTION: "action",
}


def step_label(flow: Flow, step: Step, view: ChartOptions) -> str:
    """``Step 7, measure: Motor current, running``."""
    return f"Step {view.number(flow, step.key)}, {TEST_KIND_NAMES[step.test]}: {step.title}"


def proof_word(proof: Proof | None) -> str:
    """How one outcome proves its cause: ``measured``, ``by elimination``, ``no proof given`` in drafts."""
    if proof is None:
        return "no proof given"
    return BY_ELIMINATION if proof is Proof.ELIMINATION else proof.value


def proof_label(proofs: Sequence[Proof | None]) -> str:
    """How a cause is proven over all branches that end at it, the strongest first.

    ``proof: measured or by elimination``; ``by elimination`` where nothing better is had; ``no proof given`` in drafts.
    """
    words = [proof.value for proof in reversed(Proof) if proof in proofs and proof is not Proof.ELIMINATION]
    lead = "proof: " if words else ""
    if Proof.ELIMINATION in proofs:
        words.append(BY_ELIMINATION)
    if None in proofs:
        words.append("none given" if words else "no proof given")
    return lead + " or ".join(words)
