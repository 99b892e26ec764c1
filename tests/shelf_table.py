"""How each procedure of the shelf fares under the demo's hidden truth, as a Markdown table.

``python -m tests.shelf_table`` prints it. *Minutes* and the four ends are those of the first walk, answered wrongly at
the stated rates; *job right* lets a repair that did not cure send the technician back (:mod:`shopkb.demo.proving`).
"""

from __future__ import annotations

from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.model import Flow
from shopkb.demo.nature import Nature
from shopkb.demo.proving import chances, fare, platforms_of
from shopkb.demo.truth import Place, cause_weights, read_truth
from tests.shelf import CATALOG, FIXTURES, SHELF, share_proven

HEAD = (
    "procedure", "steps", "causes", "ends proven", "minutes", "right at once", "wrong", "left open", "handed over",
    "job right", "least sure cause", "findings",
)  # fmt: skip


def row(flow: Flow) -> tuple[str, ...]:
    """The cells of one procedure."""
    truth = read_truth(FIXTURES / "truth.yaml")
    found = fare(truth, flow, {key: access.minutes for key, access in CATALOG.access.items()})
    nature = Nature(flow, truth.of(flow))
    least = min(
        (chances(truth, nature, cause.identity, platform).job, cause.key)
        for platform in platforms_of(truth, flow)
        for cause in flow.causes
        if cause_weights(nature.said, flow, Place(platform, 0.5))[cause.identity] > 0
    )
    ends = (found.right, found.wrong, found.left, found.handed_over, found.job)
    return (
        flow.procedure,
        str(len(flow.steps)),
        str(len(flow.causes)),
        f"{share_proven(flow):.0%}",
        f"{found.minutes:.0f}",
        *(f"{chance:.0%}" for chance in ends),
        f"{least[0]:.0%} {least[1]}",
        str(len(check_flow(flow, CATALOG)) or "none"),
    )


def table() -> str:
    """The table in Markdown, its columns in line for reading as plain text too."""
    rows = [HEAD, *(row(flow) for flow in SHELF.values())]
    widths = [max(len(cells[place]) for cells in rows) for place in range(len(HEAD))]
    aligned = ["| " + " | ".join(cell.ljust(w) for cell, w in zip(cells, widths, strict=True)) + " |" for cells in rows]
    rule = (
        "|" + "|".join("-" * (width + 1) + (":" if 0 < place < 10 else "-") for place, width in enumerate(widths)) + "|"
    )
    return "\n".join([aligned[0], rule, *aligned[1:]])


if __name__ == "__main__":
    print(table())
