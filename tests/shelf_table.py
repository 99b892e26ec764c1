"""How each procedure of the shelf fares under the demo's hidden truth, as a Markdown table.

``python -m tests.shelf_table`` prints it. *Minutes* and the ends are those of the first walk, answered wrongly at the
stated rates. *Found at once* follows hand-overs; *of its causes* leaves out what the procedure does not name, and
*under 85 %* tells which of its causes the first walk finds less often. *Dear* tells of how many of 100 first walks that
name a cause of 200 and more, or of 150 minutes, it is the true one. *Job right* lets a repair that did not cure
send the technician back (:mod:`tests.demo.proving`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from shopkb.core.flow.checks import check_flow
from shopkb.core.flow.model import Flow
from shopkb.demo.nature import Nature
from shopkb.demo.truth import Circumstances, Truth, cause_weights, read_truth
from tests.demo.proving import HALFWAY, chances, fare, platforms_of, verdicts
from tests.shelf import CATALOG, DEMO, SHELF, share_proven

HEAD = (
    "procedure", "steps", "causes", "ends proven", "minutes", "found at once", "of its causes", "wrong", "left open",
    "handed over", "job right", "findings", "under 85 %", "dear",
)  # fmt: skip


def row(flow: Flow) -> tuple[str, ...]:
    """The cells of one procedure."""
    truth = read_truth(DEMO / "truth.yaml")
    found = fare(truth, flow, {key: access.minutes for key, access in CATALOG.access.items()}, SHELF)
    own = at_once(truth, flow)
    shares = (found.found, weighted(own), found.wrong, found.left, found.handed_over, found.job)
    low = sorted((chance, key) for key, (_weight, chance) in own.items() if chance < 0.85)
    return (
        flow.procedure,
        str(len(flow.steps)),
        str(len(flow.causes)),
        f"{share_proven(flow):.0%}",
        f"{found.minutes:.0f}",
        *(f"{share:.0%}" for share in shares),
        str(len(check_flow(flow, CATALOG)) or "none"),
        ", ".join(f"{key} {chance:.0%}" for chance, key in low) or "none",
        ", ".join(f"{key} {share:.0%}" for share, key in sorted(dear(truth, flow))) or "none",
    )


def dear(truth: Truth, flow: Flow) -> Iterator[tuple[float, str]]:
    """Of each dear verdict, the share of the first walks that name it rightly, and its key."""
    for key, behind in verdicts(truth, flow).items():
        cause = flow.cause_by_key[key]
        if (cause.price or 0) >= 200 or (cause.minutes or 0) >= 150:
            yield behind.get(cause.identity, 0.0) / sum(behind.values()), key


def at_once(truth: Truth, flow: Flow) -> dict[str, tuple[float, float]]:
    """Weight and chance of the first walk for each cause of the procedure, by key, vehicles averaged."""
    nature, sums = Nature(flow, truth.of(flow)), {cause.key: [0.0, 0.0] for cause in flow.causes}
    known: dict[tuple[str, tuple[str, ...]], float] = {}
    for platform, vehicles in platforms_of(truth, flow).items():
        weights = cause_weights(nature.spec, flow, Circumstances(platform, HALFWAY))
        for cause in flow.causes:
            if weights[cause.identity] > 0:
                kind = (cause.identity, nature.kind(platform))
                if kind not in known:
                    known[kind] = chances(truth, nature, cause.identity, platform).first
                weight = vehicles * weights[cause.identity] / sum(weights.values())
                sums[cause.key][0] += weight
                sums[cause.key][1] += weight * known[kind]
    return {key: (weight, right / weight) for key, (weight, right) in sums.items() if weight}


def weighted(chances_of: Mapping[str, tuple[float, float]]) -> float:
    """The mean chance, each cause by its weight."""
    return sum(weight * chance for weight, chance in chances_of.values()) / sum(w for w, _chance in chances_of.values())


def table() -> str:
    """The table in Markdown, its columns in line for reading as plain text too."""
    rows = [HEAD, *(row(flow) for flow in SHELF.values())]
    widths = [max(len(cells[place]) for cells in rows) for place in range(len(HEAD))]
    aligned = ["| " + " | ".join(cell.ljust(w) for cell, w in zip(cells, widths, strict=True)) + " |" for cells in rows]
    rule = (
        "|" + "|".join("-" * (width + 1) + (":" if 0 < place < 11 else "-") for place, width in enumerate(widths)) + "|"
    )
    return "\n".join([aligned[0], rule, *aligned[1:]])


if __name__ == "__main__":
    print(table())
