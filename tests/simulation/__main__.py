"""The long simulations, as Markdown tables: ``python -m tests.simulation [coverage|honesty|plans|savings|drift] ...``.

Without names all of them, some hours on two cores; every one is seeded. Those of ``plans`` and ``savings`` are kept in
``tests/simulation/tables/``.
"""

from __future__ import annotations

import sys

from tests.simulation import changes, coverage, honesty, plans, savings

ALL = {
    "coverage": coverage.main, "honesty": honesty.main, "plans": plans.main, "savings": savings.main,
    "drift": changes.main,
}  # fmt: skip


def main(names: list[str]) -> None:
    for name in names or ALL:
        if name not in ALL:
            raise SystemExit(f"There is no simulation {name!r}; there are {', '.join(ALL)}.")
        ALL[name]()


if __name__ == "__main__":
    main(sys.argv[1:])
