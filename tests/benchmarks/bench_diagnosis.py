"""What the diagnosis core costs beside what could be used instead: run ``python -m tests.benchmarks.bench_diagnosis``.

Prints medians of one run on one thread, side by side, and ratios; absolute times hold for the machine alone.
scikit-learn is asked in its quickest form (multinomial naive Bayes over one-hot outcomes, parameters set by hand, so
that tests not done are left out). pyAgrum and pgmpy are measured if they are installed (extra ``bench``). All answers
are compared.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import importlib.util
import statistics
import time
import warnings
from collections.abc import Callable

import numpy as np
from sklearn.naive_bayes import MultinomialNB

from shopkb.core.diagnosis.bits import telling_power
from shopkb.core.diagnosis.cases import CaseResult
from shopkb.core.diagnosis.cause_model import Branch, CauseModel, Test
from shopkb.core.diagnosis.posterior import posterior, posteriors, rows_of
from shopkb.core.diagnosis.rates import Array

SIZES = ((12, 20, 4), (60, 100, 10), (300, 400, 40))
GOALS = {"posterior": (6, 14, 35), "telling": (8, 50, 500)}
OUTCOMES = 3


def median(call: Callable[[], object], seconds: float = 0.4) -> float:
    """Median time of a call, in microseconds, over as many as fit."""
    call()
    times: list[float] = []
    until = time.perf_counter() + seconds
    while time.perf_counter() < until or len(times) < 5:
        begin = time.perf_counter()
        call()
        times.append(time.perf_counter() - begin)
    return statistics.median(times) * 1e6


def made(rng: np.random.Generator, causes: int, tests: int) -> CauseModel:
    table = rng.dirichlet(np.full(OUTCOMES, 0.7), (tests, causes)).transpose(0, 2, 1) * 0.97 + 0.01
    return CauseModel(
        causes=(*(f"c{i}" for i in range(causes - 1)), "other"),
        prior=rng.dirichlet(np.ones(causes)),
        branches=tuple(Branch("p", f"t{t}", f"o{o}") for t in range(tests) for o in range(OUTCOMES)),
        table=table.reshape(-1, causes),
        tests=tuple(
            Test("p", f"t{t}", "", OUTCOMES * t, OUTCOMES * (t + 1), float(rng.uniform(1, 20))) for t in range(tests)
        ),
    )


def recorded(rng: np.random.Generator, tests: int, done: int) -> list[CaseResult]:
    return [CaseResult("p", f"t{t}", f"o{rng.integers(OUTCOMES)}") for t in rng.choice(tests, done, replace=False)]


def naive_bayes(model: CauseModel) -> MultinomialNB:
    bayes = MultinomialNB()
    bayes.classes_ = np.arange(len(model.causes))
    bayes.class_log_prior_ = np.log(model.prior)
    bayes.feature_log_prob_ = np.log(model.table).T.copy()
    bayes.n_features_in_ = len(model.branches)
    return bayes


def one_hot(rows: list[int], width: int) -> Array:
    made_row = np.zeros((1, width))
    made_row[0, rows] = 1.0
    return made_row


def entropy(p: Array) -> Array:
    return -(p * np.log2(np.maximum(p, 1e-300))).sum(axis=-1)


def telling_by_scikit(bayes: MultinomialNB, model: CauseModel, rows: list[int], left: list[int]) -> Array:
    """Expected entropy drop of every remaining test by one batched call."""
    width = len(model.branches)
    done = one_hot(rows, width)
    now = bayes.predict_proba(done)[0]
    ahead = [row for t in left for row in range(model.tests[t].start, model.tests[t].stop)]
    batch = np.repeat(done, len(ahead), axis=0)
    batch[np.arange(len(ahead)), ahead] = 1.0
    later = entropy(bayes.predict_proba(batch)) * (model.table[ahead] @ now)
    return entropy(now) - np.add.reduceat(later, np.arange(0, len(ahead), OUTCOMES))


def agrum(model: CauseModel, engine: str) -> Callable[[list[CaseResult]], Array]:
    import pyagrum as gum

    net = gum.BayesNet()
    cause = net.add(gum.LabelizedVariable("cause", "", len(model.causes)))
    net.cpt(cause).fillWith(list(model.prior))
    for test in model.tests:
        node = net.add(gum.LabelizedVariable(test.step, "", OUTCOMES))
        net.addArc(cause, node)
        net.cpt(node)[:] = model.table[test.start : test.stop].T.copy()
    inference = getattr(gum, engine)(net)

    def ask(results: list[CaseResult]) -> Array:
        inference.setEvidence({result.step: int(result.outcome[1:]) for result in results})
        inference.setTargets({"cause"})
        inference.makeInference()
        return np.array(inference.posterior("cause").tolist())

    return ask


def pgmpy(model: CauseModel) -> Callable[[list[CaseResult]], Array]:
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.inference import VariableElimination
    from pgmpy.models import DiscreteBayesianNetwork

    net = DiscreteBayesianNetwork([("cause", test.step) for test in model.tests])
    net.add_cpds(TabularCPD("cause", len(model.causes), model.prior[:, None]))
    for test in model.tests:
        table = model.table[test.start : test.stop]
        net.add_cpds(TabularCPD(test.step, OUTCOMES, table, evidence=["cause"], evidence_card=[len(model.causes)]))
    inference = VariableElimination(net)

    def ask(results: list[CaseResult]) -> Array:
        evidence = {result.step: int(result.outcome[1:]) for result in results}
        return np.asarray(inference.query(["cause"], evidence=evidence, show_progress=False).values)

    return ask


def peers(model: CauseModel) -> dict[str, Callable[[list[CaseResult]], Array]]:
    bayes = naive_bayes(model)
    width = len(model.branches)
    found: dict[str, Callable[[list[CaseResult]], Array]] = {
        "scikit-learn": lambda results: bayes.predict_proba(one_hot(rows_of(model, results), width))[0]
    }
    if importlib.util.find_spec("pyagrum"):
        found["pyAgrum lazy"] = agrum(model, "LazyPropagation")
        found["pyAgrum VE"] = agrum(model, "VariableElimination")
    if importlib.util.find_spec("pgmpy"):
        found["pgmpy VE"] = pgmpy(model)
    return found


def bench_posterior() -> None:
    print("\nPosterior over causes, one query, us (goal: times the best peer)")
    for (causes, tests, done), goal in zip(SIZES, GOALS["posterior"], strict=True):
        rng = np.random.default_rng(causes)
        model, results = made(rng, causes, tests), recorded(rng, tests, done)
        ours = posterior(model, results)
        mine = median(lambda model=model, results=results: posterior(model, results))
        line, best = "", float("inf")
        for name, ask in peers(model).items():
            worst = float(np.abs(ask(results) - ours).max())
            taken = median(lambda ask=ask, results=results: ask(results))
            best = min(best, taken)
            line += f"  {name} {taken:8.0f}" + (f" DIFFERS BY {worst:.0e}" if worst > 1e-9 else "")
        print(f"{causes:4} {tests:4} {done:3}  ours {mine:7.1f}{line}  best/ours {best / mine:5.1f} (goal {goal})")


def bench_batch() -> None:
    print("\nBatch of 400 queries, us each, inputs built by each (goal: no slower than scikit-learn)")
    for causes, tests, done in SIZES:
        rng = np.random.default_rng(causes)
        model = made(rng, causes, tests)
        bayes, width = naive_bayes(model), len(model.branches)
        rows = [rows_of(model, recorded(rng, tests, done)) for _ in range(400)]

        def scikit(bayes: MultinomialNB = bayes, rows: list[list[int]] = rows, width: int = width) -> Array:
            batch = np.zeros((len(rows), width))
            for job, those in enumerate(rows):
                batch[job, those] = 1.0
            return np.asarray(bayes.predict_proba(batch))

        assert np.abs(scikit() - posteriors(model, rows)).max() < 1e-9
        mine, theirs = median(lambda model=model, rows=rows: posteriors(model, rows)) / 400, median(scikit) / 400
        print(
            f"{causes:4} {tests:4} {done:3}  ours {mine:6.2f}  scikit-learn {theirs:6.2f}  ratio {theirs / mine:4.1f}"
        )


def bench_telling() -> None:
    print("\nTelling power of every remaining test, one query, posterior included, us")
    for (causes, tests, done), goal in zip(SIZES, GOALS["telling"], strict=True):
        rng = np.random.default_rng(causes)
        model, results = made(rng, causes, tests), recorded(rng, tests, done)
        bayes, rows = naive_bayes(model), rows_of(model, results)
        known = {result.step for result in results}
        left = [t for t, test in enumerate(model.tests) if test.step not in known]
        ours = telling_power(model, posterior(model, results))[left]
        assert np.abs(ours - telling_by_scikit(bayes, model, rows, left)).max() < 1e-9
        mine = median(lambda model=model, results=results: telling_power(model, posterior(model, results)))
        theirs = median(
            lambda bayes=bayes, model=model, rows=rows, left=left: telling_by_scikit(bayes, model, rows, left)
        )
        read = median(lambda model=model: model.table.sum())
        print(
            f"{causes:4} {tests:4} {done:3}  ours {mine:8.1f}  scikit-learn, one call {theirs:10.1f}  "
            f"ratio {theirs / mine:6.0f} (goal {goal})  table read once {read:6.1f}"
        )


def bench_build() -> None:
    print("\nBuild, ms: checks, log tables, entropies")
    for causes, tests, _ in SIZES:
        model = made(np.random.default_rng(causes), causes, tests)

        def build(model: CauseModel = model) -> object:
            fresh = CauseModel(model.causes, model.prior, model.branches, model.table, model.tests)
            return (
                fresh.row_of,
                fresh.log_prior,
                fresh.log_table,
                fresh.test_of_row,
                fresh.outcome_entropy,
                fresh.one_cause_each,
            )

        mine, theirs = median(build) / 1e3, median(lambda model=model: naive_bayes(model)) / 1e3
        print(f"{causes:4} {tests:4}  ours {mine:6.2f}  scikit-learn {theirs:6.2f}")


def main() -> None:
    from tests.benchmarks import bench_diagnosis_advice, bench_diagnosis_pooling

    warnings.simplefilter("ignore")
    bench_posterior()
    bench_batch()
    bench_telling()
    bench_build()
    bench_diagnosis_advice.main()
    bench_diagnosis_pooling.main()


if __name__ == "__main__":
    main()
