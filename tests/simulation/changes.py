"""How often a change is told where nothing changed, and where something did.

Long form: ``python -m tests.simulation drift``.
"""

from __future__ import annotations

import numpy as np

from shopkb.core.diagnosis.scores.drift import TOLD, change, reading_change

SIZES = ((5, 20), (10, 40), (20, 100), (60, 300))


def told_rates(
    rng: np.random.Generator, recent: int, before: int, p: float, fallen: float, tries: int = 2000
) -> tuple[float, float]:
    """Share of branches told as changed when their rate stayed at ``p``, and when it fell to ``fallen``."""
    found = []
    for now in (p, fallen):
        there, here = rng.binomial(before, p, tries), rng.binomial(recent, now, tries)
        told = [change([a, recent - a], [b, before - b]) > TOLD for a, b in zip(here, there, strict=True)]
        found.append(float(np.mean(told)))
    return found[0], found[1]


def readings_told(rng: np.random.Generator, recent: int, before: int, shift: float, tries: int = 1000) -> float:
    """Share of steps whose readings are told as moved when they moved by ``shift`` standard deviations."""
    told = [reading_change(rng.normal(shift, 1, recent), rng.normal(0, 1, before)) > TOLD for _ in range(tries)]
    return float(np.mean(told))


def main() -> None:
    rng = np.random.default_rng(2026)
    print("\nChanges told: share of branches and steps\n")
    print("| jobs lately, before | nothing changed, 90 % | nothing changed, 60 % | 90 % fell to 50 % "
          "| 60 % fell to 30 % | readings stayed | readings moved by 1 deviation |")  # fmt: skip
    print("| --- | ---: | ---: | ---: | ---: | ---: | ---: |")
    for recent, before in SIZES:
        high, fell = told_rates(rng, recent, before, 0.9, 0.5)
        low, halved = told_rates(rng, recent, before, 0.6, 0.3)
        stayed, moved = (readings_told(rng, recent, before, shift) for shift in (0.0, 1.0))
        figures = " | ".join(f"{figure:.1%}" for figure in (high, low, fell, halved, stayed, moved))
        print(f"| {recent}, {before} | {figures} |")


if __name__ == "__main__":
    main()
