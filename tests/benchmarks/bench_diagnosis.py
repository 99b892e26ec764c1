"""What the diagnosis core costs beside what could be used instead: run ``python -m tests.benchmarks.bench_diagnosis``.

One thread, another job with every call, all answers compared; absolute times hold for the machine alone. The fair
opponents, which the goals are set against, are bare numpy, to which the rows of the table are given and nothing is
looked up or checked, and scikit-learn's multinomial naive Bayes over one-hot outcomes, its parameters put in by hand:
the quickest way to ask it. Its categorical naive Bayes, pyAgrum and pgmpy (extra ``bench``) are what one would pick
first; they are told without a goal.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import importlib.util
import warnings
from collections.abc import Callable, Iterator

import numpy as np
from sklearn.naive_bayes import CategoricalNB, MultinomialNB

from shopkb.core.diagnosis.belief.cause_model import Branch, CauseModel, Test
from shopkb.core.diagnosis.belief.information import information_gain
from shopkb.core.diagnosis.belief.posterior import posterior, rows_of
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.rates.intervals import Array
from tests.benchmarks.rows import Row, median, side_by_side, table

SIZES = ((12, 20, 4), (60, 100, 10), (300, 400, 40))
BARE_POSTERIOR, BARE_GAIN = 1 / 1.25, 1 / 1.2
"""Least share of bare numpy's speed."""

ONE_HOT = 11
BUILD_MS = 5.0
JOBS = 100
OUTCOMES = 3


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


def categorical(model: CauseModel) -> Callable[[list[CaseResult]], Array]:
    """Naive Bayes as scikit-learn has it for outcomes by name; kind 0 of each test is that it was not done."""
    bayes = CategoricalNB()
    bayes.classes_ = np.arange(len(model.causes))
    bayes.class_log_prior_ = np.log(model.prior)
    bayes.n_features_in_ = len(model.tests)
    bayes.class_count_ = np.ones(len(model.causes))
    bayes.n_categories_ = np.full(len(model.tests), OUTCOMES + 1)
    bayes.feature_log_prob_ = [
        np.hstack([np.zeros((len(model.causes), 1)), np.log(model.table[test.start : test.stop]).T])
        for test in model.tests
    ]

    def ask(results: list[CaseResult]) -> Array:
        asked = np.zeros((1, len(model.tests)), dtype=int)
        for result in results:
            asked[0, int(result.step[1:])] = 1 + int(result.outcome[1:])
        return np.asarray(bayes.predict_proba(asked)[0])

    return ask


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
    found: dict[str, Callable[[list[CaseResult]], Array]] = {"scikit-learn": categorical(model)}
    if importlib.util.find_spec("pyagrum"):
        found["pyAgrum, lazy"] = agrum(model, "LazyPropagation")
        found["pyAgrum, elimination"] = agrum(model, "VariableElimination")
    if importlib.util.find_spec("pgmpy"):
        found["pgmpy"] = pgmpy(model)
    return found


def size_of(causes: int, tests: int, done: int) -> str:
    return f"{causes} causes, {tests} tests, {done} done"


def bench_posterior() -> Iterator[Row]:
    for causes, tests, done in SIZES:
        rng = np.random.default_rng(causes)
        model, size = made(rng, causes, tests), size_of(causes, tests, done)
        jobs = [recorded(rng, tests, done) for _ in range(JOBS)]
        rows, bayes, width = [rows_of(model, job) for job in jobs], naive_bayes(model), len(model.branches)
        bare = bare_posterior(model)
        asked = [posterior(model, job) for job in jobs]
        assert max(np.abs(bare(row) - ours).max() for row, ours in zip(rows, asked, strict=True)) < 1e-9
        hot = [np.asarray(bayes.predict_proba(one_hot(row, width))[0]) for row in rows]
        assert max(np.abs(one - ours).max() for one, ours in zip(hot, asked, strict=True)) < 1e-9
        mine, numpy, sklearn = (
            taken / JOBS
            for taken in side_by_side(
                lambda model=model, jobs=jobs: [posterior(model, job) for job in jobs],
                lambda bare=bare, rows=rows: [bare(row) for row in rows],
                lambda bayes=bayes, rows=rows, width=width: [
                    bayes.predict_proba(one_hot(row, width))[0] for row in rows
                ],
            )
        )
        yield Row("posterior, one job", size, "us", mine, "bare numpy, nothing looked up", numpy, BARE_POSTERIOR)
        yield Row("posterior, one job", size, "us", mine, "scikit-learn, one-hot by hand", sklearn, ONE_HOT)
        for name, ask in peers(model).items():
            assert np.abs(ask(jobs[0]) - asked[0]).max() < 1e-9, name
            taken = median(lambda ask=ask, job=jobs[0]: ask(job))
            yield Row("posterior, one job", size, "us", mine, name, taken)


def bare_posterior(model: CauseModel) -> Callable[[list[int]], Array]:
    """The least that an exact answer takes as logs are usually added up."""
    table, prior = model.log_table, model.log_prior

    def ask(rows: list[int]) -> Array:
        logs = table[rows].sum(axis=0) + prior
        belief = np.exp(logs - logs.max())
        return np.asarray(belief / belief.sum())

    return ask


def bare_gain(model: CauseModel) -> Callable[[Array], Array]:
    """The least that an exact answer takes: each figure of the table and of the entropies once."""
    entropies, table, starts = model.repair_entropy / np.log(2), model.table, model.starts

    def ask(belief: Array) -> Array:
        seen = table @ belief
        seen *= np.log2(np.maximum(seen, 1e-300))
        return -np.add.reduceat(seen, starts) - entropies @ belief

    return ask


def bench_telling() -> Iterator[Row]:
    for causes, tests, done in SIZES:
        rng = np.random.default_rng(causes)
        model, size = made(rng, causes, tests), size_of(causes, tests, done)
        jobs = [recorded(rng, tests, done) for _ in range(JOBS)]
        beliefs, bayes, bare = [posterior(model, job) for job in jobs], naive_bayes(model), bare_gain(model)
        rows, known = rows_of(model, jobs[0]), {result.step for result in jobs[0]}
        left = [t for t, test in enumerate(model.tests) if test.step not in known]
        ours = information_gain(model, beliefs[0])
        assert np.abs(ours[left] - telling_by_scikit(bayes, model, rows, left)).max() < 1e-9
        assert np.abs(ours - bare(beliefs[0])).max() < 1e-9
        mine, numpy = (
            taken / JOBS
            for taken in side_by_side(
                lambda model=model, beliefs=beliefs: [information_gain(model, belief) for belief in beliefs],
                lambda bare=bare, beliefs=beliefs: [bare(belief) for belief in beliefs],
            )
        )
        theirs = median(
            lambda bayes=bayes, model=model, rows=rows, left=left: telling_by_scikit(bayes, model, rows, left)
        )
        yield Row("information gain of all tests", size, "us", mine, "bare numpy, nothing looked up", numpy, BARE_GAIN)
        yield Row("information gain of all tests", size, "us", mine, "scikit-learn, one batched call", theirs)


def bench_build() -> Iterator[Row]:
    """Checks, logs and entropies; scikit-learn's parameters are put in by hand and not checked."""
    for causes, tests, _ in SIZES:
        model = made(np.random.default_rng(causes), causes, tests)

        def build(model: CauseModel = model) -> object:
            fresh = CauseModel(model.causes, model.prior, model.branches, model.table, model.tests)
            looked_up = fresh.row_of, fresh.rows_by_procedure, fresh.test_of_row
            return looked_up, fresh.log_prior, fresh.log_table, fresh.repair_entropy

        mine, theirs = side_by_side(build, lambda model=model: naive_bayes(model))
        size = f"{causes} causes, {tests} tests"
        yield Row("building", size, "ms", mine / 1e3, f"{BUILD_MS:g} ms", BUILD_MS, 1 if causes == 300 else None)
        yield Row("building", size, "ms", mine / 1e3, "scikit-learn, by hand, nothing checked", theirs / 1e3)


def rows() -> Iterator[Row]:
    """All of them, one thread."""
    warnings.simplefilter("ignore")
    for part in (bench_posterior, bench_telling, bench_build):
        yield from part()


if __name__ == "__main__":
    print(table(rows()))
