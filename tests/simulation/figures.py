"""Every figure that learning was asked for, in one table: before, now and asked.

``python -m tests.simulation.figures [part ...]``: about half an hour on two cores; with the names of parts only their
rows are made anew. Kept in ``tests/simulation/tables/figures.md``. Each row says on how many jobs, truths and seeds it
rests; the simulations beside this one have the long forms. *Before* is what was measured until 27 November 2026: with
one strength for all branches, every result counted as a branch taken, one belief for each procedure in the order in
which they were opened, and no correction of probabilities.
"""

from __future__ import annotations

import os
import sys

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import django
import numpy as np

from tests import own_place

assert own_place
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shopkb.settings")
django.setup()

from shopkb.core.diagnosis.belief.posterior import posterior  # noqa: E402
from shopkb.core.flow.model import Proof  # noqa: E402
from tests.benchmarks import bench_diagnosis, bench_diagnosis_advice  # noqa: E402
from tests.demo import test_believed_after_a_hand_over as demo  # noqa: E402
from tests.shelf import SHELF  # noqa: E402
from tests.simulation import chance, following, hand_overs, measured, no_harm, recalibration, shares, uneven  # noqa: E402
from tests.simulation.tables import FOLDER, keep  # noqa: E402


@dataclass(frozen=True, slots=True)
class Figure:
    """``rests_on`` names jobs, truths and seeds."""

    what: str
    rests_on: str
    before: str
    asked: str
    now: str

    @property
    def line(self) -> str:
        return f"| {self.what} | {self.rests_on} | {self.before} | {self.asked} | {self.now} |"


def one_belief() -> Iterator[Figure]:
    jobs, fresh = list(hand_overs.handed_over_jobs()), hand_overs.models()
    said = np.array([hand_overs.probability(fresh, job) for job in jobs])
    rests = f"{len(jobs)} hand-overs with an end behind, no jobs"
    asked = "mean at least 0.7, never under 0.3"
    yield Figure("belief in what the second procedure proved, fresh shop", rests, "mean 0.23, 39 % under 0.10", asked,
                 f"mean {said.mean():.2f}, least {said.min():.2f}")  # fmt: skip
    learned, unseen = demo.learned_and_unseen()
    said = np.array([hand_overs.probability(learned, job) for job in jobs])
    yield Figure("the same, demo shop", f"{demo.JOBS * 7 // 10:,} jobs, seed {demo.SEED}", "at most 0.07 in 16 of 19",
                 asked, f"mean {said.mean():.2f}, {np.mean(said < 0.3):.1%} under 0.3")  # fmt: skip
    shops = [(hand_overs.models(hand_overs.shop(seed, 3000)), hand_overs.worlds_of(seed)) for seed in (1, 2, 3)]
    low = [(worlds, job) for known, worlds in shops for job in jobs if hand_overs.probability(known, job) < 0.3]
    true = np.array([hand_overs.true_probability(worlds, job) for worlds, job in low])
    yield Figure("what is believed under 0.3 after a hand-over, to whoever knows the truth",
                 f"3,000 jobs, 3 truths, {len(low)} of {3 * len(jobs):,} pairs", "", "never under 0.3",
                 f"mean {true.mean():.2f}, {np.mean(true < 0.3):.0%} of them under 0.3, {np.mean(true > 0.7):.0%} over "
                 "0.7: right to doubt")  # fmt: skip
    proven = []
    for case in unseen:
        if case.verified and len(case.procedures) == 2 and demo.named(case) == case.cause:
            model = hand_overs.followed(learned, *case.procedures)
            proven.append(float(posterior(model, case.results)[model.column_of[case.cause]]))
    yield Figure("the same, what was rightly proven in demo jobs not learned from", f"{len(proven)} jobs", "", asked,
                 f"mean {np.mean(proven):.2f}, least {min(proven):.2f}")  # fmt: skip
    off = [_orders_differ(fresh, job) for job in jobs[::5]]
    yield Figure("belief by either order of two procedures, largest difference", f"{len(off)} hand-overs",
                 "total variation 0.61", "1e-9", f"{max(off):.0e}")  # fmt: skip
    ends = [job for job in jobs if job.proof not in (None, Proof.ELIMINATION)]
    astray = sum(bool(hand_overs.looks_elsewhere(fresh, job)) for job in ends)
    yield Figure("advice after a proof that looks where nothing is a twentieth as likely", rests, "seen", "none",
                 f"{astray} of {len(ends)}")  # fmt: skip


def _orders_differ(learned: dict[str, hand_overs.CauseModel], job: hand_overs.HandedOver) -> float:
    one, other = (hand_overs.followed(learned, *pair) for pair in ((job.first, job.second), (job.second, job.first)))
    return float(np.abs(posterior(one, job.results) - posterior(other, job.results[::-1])).max())


def branch_success(truths: int = 8) -> Iterator[Figure]:
    for habit in ("each piece of advice half of the time", "advice always"):
        shops = [following.found_in(SHELF["relay-and-control"], [11, seed], habit, 900) for seed in range(truths)]
        now, before = ([pair[place] for pair in shops] for place in (0, 1))
        yield Figure(
            f"95 % intervals of branch success, {habit}", f"{truths} truths of 900 jobs, seeds [11, 0] on",
            _covered(before), "93 to 97 %, bias under 0.02", _covered(now),
        )  # fmt: skip


def _covered(shops: list[following.Covered]) -> str:
    share = sum(one.covered for one in shops) / sum(one.branches for one in shops)
    return f"{share:.0%}, bias {np.mean([one.bias for one in shops]):+.3f}"


def platforms() -> Iterator[Figure]:
    for kind, words in (
        (uneven.KINDS[0], "branches that differ, a fifth of all"),
        (uneven.KINDS[3], "a platform bad everywhere"),
    ):
        shops = min(kind.shops, 12)
        found = uneven.sums_of(kind, [[5, seed] for seed in range(shops)])
        now, before = (
            " / ".join(f"{found[way, 'apart', place].covered:.0%}" for place in range(len(uneven.GROUPS)))
            for way in ("hierarchical", "one_strength")
        )
        yield Figure(f"95 % intervals on {words}, by 0 / 1-3 / 4-10 / 11-40 own jobs",
                     f"{shops} shops of 60 branches, seeds [5, 0] on", before, "at least 90 %", now)  # fmt: skip
        last = len(uneven.GROUPS) - 1
        alone = found["alone", "apart", last].error
        times = {way: f"{found[way, 'apart', last].error / alone:.2f}" for way in ("hierarchical", "one_strength")}
        yield Figure("error there with 11 and more own jobs, times that of own jobs alone", "the same",
                     times["one_strength"], "at most 1.2", times["hierarchical"])  # fmt: skip


def causes() -> Iterator[Figure]:
    for scatter in shares.SCATTERS:
        found = shares.means(scatter, 10)
        now, before, alone = (found[way, 100] for way in shares.WAYS)
        yield Figure(f"shares of causes at 100 own jobs, scatter {scatter}", "10 shops, seeds [21, 0] on",
                     f"{before:.3f}", f"at most {alone:.3f} (own jobs)", f"{now:.3f}")  # fmt: skip


def harm(taught: tuple[int, ...] = (0, 1000), truths: int = no_harm.TRUTHS) -> Iterator[Figure]:
    """What is not kept in ``no-harm.csv`` is found first. Other numbers of jobs: :mod:`.no_harm`."""
    every = list(no_harm.cells(taught, truths))
    before = {0: "+0.5 % on four procedures, 3.1 % dearer at worst", 1000: "+4.1 % on four procedures"}
    for jobs in taught:
        row = [one for one in every if one.taught == jobs and one.procedure in SHELF]
        means = [np.mean([one.saved for one in row if one.procedure == key]) for key in SHELF]
        worse = sum(mean < -0.01 for mean in means)
        least = min(zip(means, SHELF, strict=True))
        yield Figure(
            f"minutes that suggestions save after {jobs:,} jobs",
            f"{len(SHELF)} procedures, {truths} truths, seeds [20, 0] on",
            before.get(jobs, ""),
            "at least 4 % at 1,000 jobs, no procedure more than 1 % dearer in expectation",
            f"{np.mean([one.saved for one in row]):+.1%}; {worse} of {len(means)} dearer by 1 %, least {least[0]:+.1%} "
            f"({least[1]}); of {len(row)} truths {sum(one.surely_worse for one in row)} dearer by 1 % beyond chance",
        )  # fmt: skip
    row = [one for one in every if one.taught == 1000 and one.procedure in no_harm.CHAINS]
    yield Figure("the same on badly ordered chains after 1,000 jobs", f"{len(row)} chains, seeds [20, 0] on", "",
                 "at least 20 %", f"{np.mean([one.saved for one in row]):+.1%}")  # fmt: skip


def readings() -> Iterator[Figure]:
    """The table of :mod:`.measured` is kept along the way."""
    for setting, found in measured.found_and_kept().items():
        for jobs in (30, 300):
            bands, told = (found[:, measured.JOBS.index(jobs), way] for way in (0, 1))
            error = (told - bands).std(ddof=1) / len(found) ** 0.5
            yield Figure(f"Brier score by readings, {jobs} jobs, {setting.words}",
                         f"{len(found)} shops, seeds [0, 31] on", f"{bands.mean():.3f} by bands",
                         "never worse by more than noise",
                         f"{told.mean():.3f} ({(told - bands).mean():+.3f} ± {error:.3f})")  # fmt: skip


def calibration(shops: int = 3, jobs: int = 400) -> Iterator[Figure]:
    for setting in recalibration.SETTINGS:
        raw = [recalibration.shop(setting, seed, jobs) for seed in range(1, shops + 1)]
        put_right = [recalibration.corrected(one) for one in raw]
        before, now = (_calibrated([recalibration.calibrated(one) for one in way]) for way in (raw, put_right))
        chance_alone = np.mean([recalibration.error_by_chance(one) for one in put_right])
        yield Figure(f"calibration, {setting.words}", f"{shops} shops of {4 * jobs:,} jobs, seeds 1 on", before,
                     "error under 0.03, 5 of 6 ranges",
                     f"{now}; {chance_alone:.3f} by chance alone were all of them true")  # fmt: skip


def _calibrated(shops: list[recalibration.Calibrated]) -> str:
    held, ranges = sum(one.held for one in shops), sum(one.ranges for one in shops)
    return f"error {np.mean([one.error for one in shops]):.3f}, {held} of {ranges}"


def by_chance() -> Iterator[Figure]:
    off, on = (chance.found_in(SHELF["battery-flat-overnight"], [21, 0], share, 300) for share in (0.0, 0.1))
    words = f"{on.minutes:.1f}; {on.chosen:.1%} of steps had an equal that was chosen"
    yield Figure("minutes a job where 10 % of steps are left to chance", "300 jobs, seed [21, 0]",
                 f"{off.minutes:.1f} without", "what it costs", words)  # fmt: skip


def speed() -> Iterator[Figure]:
    asked = {"posterior, one job": "at most 1.25", "information gain of all tests": "at most 1.2"}
    before = {"posterior, one job": "1.3, 1.5, 1.8", "information gain of all tests": "1.4, 1.3, 1.0"}
    for part in (bench_diagnosis.bench_posterior, bench_diagnosis.bench_telling):
        rows = list(part())
        bare = [row for row in rows if row.peer.startswith("bare")]
        times = ", ".join(f"{1 / row.ratio:.2f}" for row in bare)
        sizes = "12, 60 and 300 causes, another job each time"
        yield Figure(f"{bare[0].what}, times bare numpy", sizes, before[bare[0].what], asked[bare[0].what], times)
        hot = [row for row in rows if "one-hot" in row.peer]
        if hot:
            times = ", ".join(f"{row.ratio:.0f}" for row in hot)
            yield Figure("posterior, times as fast as one-hot scikit-learn", sizes, "12", "at least 11", times)
    built = next(row for row in bench_diagnosis.bench_build() if row.size.startswith("300"))
    yield Figure("table of 300 causes", "400 tests", "5.9 ms", "under 5 ms", f"{built.ours:.1f} ms")
    two = list(bench_diagnosis_advice.rows())[-1]
    yield Figure("advice two steps ahead", two.size, "145 ms", "under 60 ms", f"{two.ours:.0f} ms")


PARTS: tuple[Callable[[], Iterator[Figure]], ...] = (
    speed, one_belief, causes, platforms, branch_success, calibration, by_chance, harm, readings,
)  # fmt: skip


def main(names: list[str]) -> None:
    """Of parts that are not named the rows stay as they are kept."""
    parts = {part.__name__: part for part in PARTS}
    if unknown := set(names) - parts.keys():
        raise SystemExit(f"There is no part {', '.join(sorted(unknown))}; there are {', '.join(parts)}.")
    for name in names or parts:
        lines = []
        for figure in parts[name]():
            lines.append(f"| {name.replace('_', ' ')} {figure.line}")
            print(lines[-1], flush=True)
        rows = {part: _kept(part) for part in parts} | {name: lines}
        heading = ["| part | figure | rests on | before | asked | now |", "| --- | --- | --- | --- | --- | --- |"]
        told = "\n".join([*heading, *(line for part in parts for line in rows[part])])
        keep("figures", told, command="python -m tests.simulation.figures")


def _kept(part: str) -> list[str]:
    kept = (FOLDER / "figures.md").read_text(encoding="utf-8") if (FOLDER / "figures.md").exists() else ""
    return [line for line in kept.splitlines() if line.startswith(f"| {part.replace('_', ' ')} |")]


if __name__ == "__main__":
    main(sys.argv[1:])
