"""The long simulations, as Markdown tables: ``python -m tests.simulation [NAME ...]``.

Names are coverage, uneven, shares, verified, following, honesty, plans, savings, drift, smoothing, hand-overs, chance,
recalibration, limits, circuits, measured and no-harm; without names all of them, some hours on two cores. Every one is
seeded. The tables of all but honesty and drift are kept in ``tests/simulation/tables/``.
"""

from __future__ import annotations

import sys

from tests.simulation import (
    chance,
    changes,
    circuits,
    coverage,
    following,
    hand_overs,
    honesty,
    limits,
    measured,
    no_harm,
    plans,
    recalibration,
    savings,
    shares,
    smoothing,
    uneven,
    verified,
)

ALL = {
    "coverage": coverage.main, "uneven": uneven.main, "shares": shares.main, "verified": verified.main,
    "following": following.main,
    "honesty": honesty.main, "plans": plans.main, "savings": savings.main, "drift": changes.main,
    "smoothing": smoothing.main, "hand-overs": hand_overs.main, "no-harm": no_harm.main, "chance": chance.main,
    "recalibration": recalibration.main, "limits": limits.main,
    "circuits": circuits.main, "measured": measured.main,
}  # fmt: skip


def main(names: list[str]) -> None:
    for name in names or ALL:
        if name not in ALL:
            raise SystemExit(f"There is no simulation {name!r}; there are {', '.join(ALL)}.")
        ALL[name]()


if __name__ == "__main__":
    main(sys.argv[1:])
