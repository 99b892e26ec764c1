"""Are the probabilities honest, and better than what they have to beat? Made-up shops of many kinds, forecast month by
month: chains and bushy trees, few and many causes, careful and careless testers, a truth that changes halfway.

Long form: ``python -m tests.simulation honesty``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from shopkb.core.diagnosis.scores.forecast_scores import Forecast, Scores, all_pairs, scores
from shopkb.core.diagnosis.scores.forecasting import forecasts
from tests.simulation.worlds import closed_jobs, drawn, drifted, tree
from tests.simulation.yardsticks import brier_where_named, named_ends

BINS = np.linspace(0, 1, 11)
SPANS = ((0, 50), (50, 100), (100, 200), (200, 500), (500, 2000))


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of shop."""

    name: str
    causes: int
    chain: bool
    errors: tuple[float, float]
    drift: bool = False


KINDS = (
    Kind("chain of 5, careful", 5, True, (0.01, 0.06)),
    Kind("chain of 8, careless", 8, True, (0.05, 0.25)),
    Kind("tree of 6", 6, False, (0.01, 0.12)),
    Kind("tree of 12", 12, False, (0.01, 0.12)),
    Kind("tree of 12, careless", 12, False, (0.05, 0.25)),
    Kind("tree of 8, changes halfway", 8, False, (0.01, 0.12), drift=True),
)


def expected_calibration_error(said: np.ndarray, true: np.ndarray) -> float:
    """Mean distance between what was said and what came true over ten equal bins, weighted by their numbers
    (M. Naeini, G. Cooper and M. Hauskrecht, AAAI 2015)."""
    places = np.clip(np.digitize(said, BINS) - 1, 0, 9)
    gaps = [abs(said[places == b].sum() - true[places == b].sum()) for b in range(10)]
    return float(sum(gaps) / said.size)


def of_the_likeliest(found: Sequence[Forecast]) -> tuple[np.ndarray, np.ndarray]:
    """Only the likeliest cause of each job: harder than all pairs, of which most are close to 0."""
    said = np.array([one.probabilities.max() for one in found])
    return said, np.array([float(one.probabilities.argmax() == one.truth) for one in found])


def shop(kind: Kind, seed: int, jobs: int) -> tuple[list[Forecast], dict[int, int]]:
    """Forecasts of the verified jobs of one shop, in order, and the causes that their ends named, by job."""
    rng = np.random.default_rng(seed)
    world = drawn(rng, tree(rng, kind.causes, chain=kind.chain), errors=kind.errors)
    later = drifted(rng, world) if kind.drift else None
    cases = list(closed_jobs(rng, world, jobs, later=later))
    return forecasts(world.flow, cases), named_ends(world.flow, cases)


def beaten(found: Sequence[Forecast], named: Mapping[int, int]) -> tuple[float, float, float, float]:
    """Brier score, that of the belief before any result; and over jobs whose end named a cause, ours and the end's."""
    told = scores(found)
    assert isinstance(told, Scores)
    return (told.brier, told.brier_at_first, *brier_where_named(found, named))


def main(seeds: int = 5, jobs: int = 2800) -> None:
    print("\nHow honest: the first 2,000 verified jobs of each of", seeds, "shops of a kind\n")
    print("| shop | ECE, all pairs | ECE, likeliest | Brier | before any result | where an end names | that end |")
    print("| --- | ---: | ---: | ---: | ---: | ---: | ---: |")
    every: list[tuple[list[Forecast], dict[int, int]]] = []
    for kind in KINDS:
        both = [(found[:2000], named) for found, named in (shop(kind, seed, jobs) for seed in range(seeds))]
        every += both
        shops = [found for found, _named in both]
        errors = [expected_calibration_error(*all_pairs(found)) for found in shops]
        likeliest = [expected_calibration_error(*of_the_likeliest(found)) for found in shops]
        figures = np.mean([beaten(found, named) for found, named in both], axis=0)
        print(f"| {kind.name} | {np.mean(errors):.3f} (worst {max(errors):.3f}) | {np.mean(likeliest):.3f} (worst "
              f"{max(likeliest):.3f}) | " + " | ".join(f"{figure:.3f}" for figure in figures) + " |")  # fmt: skip
    print("\nBrier score by the number of verified jobs before, all shops; wins: shops where ours was the better\n")
    print("| jobs | ours | before any result | wins | where an end names | that end | wins |")
    print("| --- | ---: | ---: | ---: | ---: | ---: | ---: |")
    for low, high in SPANS:
        rows = np.array([beaten(found[low:high], named) for found, named in every])
        ours, first, named, end = np.nanmean(rows, axis=0)
        wins, beats = np.sum(rows[:, 0] < rows[:, 1]), np.sum(rows[:, 2] < rows[:, 3])
        print(f"| {low} to {high} | {ours:.3f} | {first:.3f} | {wins} of {len(rows)} | {named:.3f} | {end:.3f} | "
              f"{beats} of {len(rows)} |")  # fmt: skip


if __name__ == "__main__":
    main()
