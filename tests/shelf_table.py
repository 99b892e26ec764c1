"""What each procedure of the shelf costs and how often it ends right, before any job was closed.

``python -m tests.shelf_table`` prints it. Priors come from ``usual``, likelihoods from the branches alone
(:mod:`shopkb.core.diagnosis.likelihoods`), minutes from the writer and the set-up states of fixtures/access.yaml.
"""

from __future__ import annotations

from shopkb.core.diagnosis.appraisal import appraise
from shopkb.core.diagnosis.likelihoods import model_of
from shopkb.core.flow.model import Flow
from tests.shelf import CATALOG, SHELF, share_proven

HEAD = ("procedure", "steps", "causes", "proven", "minutes", "right", "wrong", "left", "handed over")


def row(flow: Flow) -> tuple[str, ...]:
    """The cells of one procedure: counts, share of ends proven, expected minutes, chances of the four ends."""
    minutes = {key: access.minutes for key, access in CATALOG.access.items()}
    appraisal = appraise(flow, model_of(flow, {}, as_of="2025-01", access_minutes=minutes), what_matters=False)
    chances = (appraisal.right, appraisal.wrong, appraisal.dead_end, appraisal.handed_over)
    return (
        flow.procedure,
        str(len(flow.steps)),
        str(len(flow.causes)),
        f"{share_proven(flow):.0%}",
        f"{appraisal.minutes:.0f}",
        *(f"{chance:.0%}" for chance in chances),
    )


def table() -> str:
    rows = [HEAD, *(row(flow) for flow in SHELF.values())]
    widths = [max(len(cells[place]) for cells in rows) for place in range(len(HEAD))]
    return "\n".join(
        cells[0].ljust(widths[0])
        + "".join(f"  {cell.rjust(width)}" for cell, width in zip(cells[1:], widths[1:], strict=True))
        for cells in rows
    )


if __name__ == "__main__":
    print(table())
