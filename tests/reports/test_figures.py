"""Figures of a small shop, worked by hand, and the same against pandas on drawn jobs."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase, RejectedEnd
from shopkb.core.diagnosis.counting.flow_counts import count
from shopkb.core.diagnosis.counting.positions import ASIDE
from shopkb.core.diagnosis.counting.tallies import TallyKey, TallySums, contributions, merge
from shopkb.core.flow.model import Flow
from shopkb.jobs.job_facts import JobFact, RepairFact
from shopkb.reports.figures.calibration import calibration
from shopkb.reports.figures.comebacks import by_cause, by_person, wrong_parts
from shopkb.reports.figures.confirmed_causes import By, found_together, pareto, uncovered
from shopkb.reports.figures.minutes import change, costliest, procedure_figures
from shopkb.reports.figures.shares import Mean, Share
from shopkb.reports.figures.shelf_health import branch_shares, drifted_branches, log_bayes
from shopkb.reports.figures.step_figures import StepFigures, step_figures
from shopkb.reports.figures.suggestions import SuggestionKind, suggestions
from tests.builders import HORN_TEXT, flow_from

OPEN = "body/horn/horn#open circuit"
RELAY = "body/horn/relay#burnt contacts"
GROUND = "body/horn/earth#high resistance"
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
WAY_TO_HORN = (("press", "click", 60), ("supply", "full", 240), ("ground", "good", 120), ("direct", "silent", 180))
WAY_TO_RELAY = (("press", "click", 60), ("supply", "weak", 300))


@pytest.fixture(scope="module")
def horn_flow() -> Flow:
    return flow_from(HORN_TEXT)


def _case(number: int, way: tuple[tuple[str, str, int | None], ...], cause: str = "", **more: object) -> ClosedCase:
    results = tuple(CaseResult("horn-silent", step, outcome, seconds=seconds) for step, outcome, seconds in way)
    proof = "measured" if cause or more.get("claimed") else ""
    fields: dict[str, object] = {"proof": proof, "claimed": cause, "results": results, **more}
    return ClosedCase(number, "curlew/dunlin", "2026-03", cause, **fields)  # type: ignore[arg-type]


def _tallies(cases: list[ClosedCase]) -> dict[TallyKey, TallySums]:
    return merge([contributions(case) for case in cases])


def _by_hand() -> list[ClosedCase]:
    """Six jobs: three ended rightly at the horn; one rightly at the relay; one was led to the relay, which did not
    cure, and turned out to be the ground; one was never verified."""
    wrong = RejectedEnd("horn-silent", "supply", "weak", RELAY)
    return [
        *(_case(number, WAY_TO_HORN, OPEN) for number in (1, 2, 3)),
        _case(4, WAY_TO_RELAY, RELAY),
        _case(5, WAY_TO_RELAY, GROUND, rejected=(wrong,)),
        _case(6, (("press", "click", None),)),
    ]


def _steps(flow: Flow) -> dict[str, StepFigures]:
    return {step.step: step for step in step_figures(flow, _tallies(_by_hand()))}


def test_steps_worked_by_hand(horn_flow: Flow) -> None:
    """press: 6 done, 5 proven, names nothing. supply: 5 done; found the relay once, named it wrongly once; 3 x 4 min
    and 2 x 5 min make 22 min, hence 22 min for its one fault. direct: 3 done, 3 found, 9 min, hence 3 min a fault."""
    steps = _steps(horn_flow)
    press, supply, direct = steps["press"], steps["supply"], steps["direct"]
    assert (press.done, press.proven, press.found, press.timed, press.names_a_cause) == (6, 5, 0, 5, False)
    assert press.minutes == pytest.approx(1.0) and press.minutes_in_all == pytest.approx(6.0)
    assert (supply.done, supply.finds, supply.misleads) == (5, Share(1, 5), Share(1, 2))
    assert supply.minutes_a_fault == pytest.approx(22.0)
    assert (direct.done, direct.finds, direct.misleads) == (3, Share(3, 3), Share(0, 3))
    assert direct.minutes_a_fault == pytest.approx(3.0)
    assert press.minutes_a_fault is None


def test_branches_that_held_are_counted(horn_flow: Flow) -> None:
    """Of five proven jobs that answered supply, the ground lay no longer behind `weak`: four held."""
    assert _steps(horn_flow)["supply"].onward == Share(4, 5)


def test_what_was_found_off_the_written_way_is_not_the_share_that_a_step_finds(horn_flow: Flow) -> None:
    """Three jobs came to the last test as written and found the horn; two did it at once, as the horn had been guessed,
    and found nothing. Its minutes are those of all five."""
    early = CaseResult("horn-silent", "direct", "sounds", seconds=180, position=ASIDE)
    guessed = [replace(_case(number, (), GROUND), results=(early,)) for number in (7, 8)]
    direct = {s.step: s for s in step_figures(horn_flow, _tallies([*_by_hand(), *guessed]))}["direct"]
    assert (direct.done, direct.found, direct.finds) == (5, 3, Share(3, 3))
    assert direct.minutes_a_fault == pytest.approx(5.0)


def test_skips_are_counted_with_their_reason(horn_flow: Flow) -> None:
    left = CaseResult("horn-silent", "ground", "", skipped="no-access")
    case = ClosedCase(9, "curlew/dunlin", "2026-03", results=(left,))
    ground = {s.step: s for s in step_figures(horn_flow, _tallies([case]))}["ground"]
    assert (ground.done, ground.skipped, ground.left_out) == (0, {"no-access": 1}, Share(1, 1))


def test_minutes_of_the_procedure_by_hand(horn_flow: Flow) -> None:
    """Runs of the five proven jobs took 10, 10, 10, 6 and 6 min: 8.4 on average. One of two that were read is stuck."""
    facts = [_fact(1), _fact(2, disposition="unsolved")]
    row = procedure_figures({"horn-silent": "Horn"}, _tallies(_by_hand()), facts, {"horn-silent": {600: 3, 360: 2}},
                            ("2026-02", "2026-03"))[0]  # fmt: skip
    assert (row.proven, row.eliminated, row.stuck) == (Share(5, 6), Share(0, 5), Share(1, 2))
    assert row.minutes is not None and row.minutes.value == pytest.approx(8.4)
    assert row.typical is not None and row.typical.median == pytest.approx(10.0)
    assert [(month, mean is None) for month, mean in row.by_month] == [("2026-02", True), ("2026-03", False)]
    assert row.change is None


def test_a_change_is_welchs() -> None:
    """scipy.stats.ttest_ind without equal variances gives the same interval."""
    from scipy import stats

    rng = np.random.default_rng(4)
    before, after = rng.normal(30, 6, 25), rng.normal(24, 9, 18)
    means = [Mean.of_sums(len(x), float(x.sum()), float((x**2).sum())) for x in (before, after)]
    found = change(*means)
    expected = stats.ttest_ind(after, before, equal_var=False).confidence_interval(0.8)
    assert found is not None and found.words == "quicker"
    assert (found.low, found.high) == pytest.approx((expected.low, expected.high))
    assert change(means[0], Mean(3.0, 1.0, 4)) is None


def test_the_costliest_steps_rest_on_enough_jobs(horn_flow: Flow) -> None:
    dear = costliest(_steps(horn_flow).values())
    assert all(step.done >= 5 for step in dear) and "direct" not in {step.step for step in dear}


def _fact(number: int, cause: str = OPEN, **more: object) -> JobFact:
    closed = NOON - timedelta(days=100)
    repair = RepairFact(
        number, cause, "measured", str(more.pop("who", "dorcas")), str(more.pop("cured", "cured")), "horn"
    )
    fields: dict[str, object] = {
        "platform": "curlew/dunlin/mk1", "symptom": "horn-silent", "disposition": "cured", "opened_at": closed,
        "closed_at": closed, "closed_by": "dorcas", "procedures": ("horn-silent",), "repairs": (repair,), **more,
    }  # fmt: skip
    return JobFact(number, **fields)  # type: ignore[arg-type]


def test_comebacks_by_hand() -> None:
    """Three cures claimed, one came back after 9 days, one is ten days old and may still do so."""
    came = _case(1, WAY_TO_HORN, "", claimed=OPEN, came_back=True)
    tallies = _tallies([came, _case(2, WAY_TO_HORN, OPEN), _case(3, WAY_TO_HORN, OPEN)])
    jobs = [
        _fact(1, back_at=NOON - timedelta(days=91)),
        _fact(2),
        _fact(3, closed_at=NOON - timedelta(days=10), who="jethro"),
    ]
    row = by_cause(tallies, jobs, NOON)[0]
    assert (row.name, row.procedure, row.back, row.young, row.days) == (OPEN, "horn-silent", Share(1, 3), 1, 9.0)
    assert row.provisional
    people = by_person(jobs, NOON)
    assert [(one.name, one.back, one.young) for one in people] == [
        ("dorcas", Share(1, 2), 0),
        ("jethro", Share(0, 1), 1),
    ]


def test_wrong_parts_by_hand() -> None:
    """Two repairs of the horn were judged; one did not cure, the other came back."""
    jobs = [_fact(1, cured="not-cured", disposition="unsolved"), _fact(2, back_at=NOON), _fact(3, cause=RELAY)]
    assert [(row.cause, row.wrong, row.parts) for row in wrong_parts(jobs)] == [(OPEN, Share(2, 2), ("horn",))]


def test_causes_by_hand() -> None:
    jobs = [_fact(1), _fact(2, also=(GROUND,)), _fact(3, RELAY), _fact(4, back_at=NOON)]
    assert [(row.name, row.jobs, round(row.up_to_here, 3)) for row in pareto(jobs)] == [
        (OPEN, 2, 0.667),
        (RELAY, 1, 1.0),
    ]
    assert [(row.name, row.jobs) for row in pareto(jobs, By.PLATFORM)] == [("curlew/dunlin", 3)]
    assert [(row.name, row.jobs) for row in pareto(jobs, system="body/horn/relay")] == [(RELAY, 1)]
    assert [(row.cause, row.also, row.share) for row in found_together(jobs)] == [(OPEN, GROUND, Share(1, 2))]
    assert [(row.cause, row.jobs) for row in uncovered(jobs, {OPEN})] == [(RELAY, 1)]


def test_counts_of_causes_are_those_of_pandas() -> None:
    rng = np.random.default_rng(7)
    causes = [OPEN, RELAY, GROUND]
    jobs = [
        _fact(n, causes[rng.integers(3)], back_at=NOON if rng.random() < 0.2 else None, who=str(rng.integers(4)))
        for n in range(300)
    ]
    frame = pd.DataFrame(
        {
            "cause": [job.repairs[0].cause for job in jobs],
            "who": [job.repairs[0].who for job in jobs],
            "back": [job.back_at is not None for job in jobs],
        }
    )
    expected = frame[~frame.back].cause.value_counts().sort_index().to_dict()
    assert dict(sorted((row.name, row.jobs) for row in pareto(jobs))) == expected
    grouped = frame.groupby("who").back.agg(["sum", "count"])
    assert {row.name: (row.back.part, row.back.whole) for row in by_person(jobs, NOON)} == {
        who: (row["sum"], row["count"]) for who, row in grouped.iterrows()
    }


def test_steps_are_those_of_pandas_on_drawn_jobs(horn_flow: Flow) -> None:
    rng = np.random.default_rng(3)
    cases = [
        _case(n, way, cause)
        for n in range(200)
        for way, cause in [
            (WAY_TO_HORN, OPEN if rng.random() < 0.8 else "") if rng.random() < 0.6
            else (WAY_TO_RELAY, RELAY if rng.random() < 0.7 else GROUND)
        ]
    ]  # fmt: skip
    frame = pd.DataFrame([(r.step, r.outcome, c.cause, r.seconds) for c in cases for r in c.results],
                         columns=["step", "outcome", "cause", "seconds"])  # fmt: skip
    named = {("supply", "weak"): RELAY, ("direct", "silent"): OPEN}
    frame["found"] = [
        named.get((s, o)) == c and c != "" for s, o, c in zip(frame.step, frame.outcome, frame.cause, strict=True)
    ]
    grouped = frame.groupby("step").agg(done=("found", "size"), found=("found", "sum"), minutes=("seconds", "mean"))
    for step in step_figures(horn_flow, _tallies(cases)):
        row = grouped.loc[step.step]
        assert (step.done, step.found) == (row.done, row.found)
        assert step.minutes == pytest.approx(row.minutes / 60)


def test_log_bayes_of_two_rates() -> None:
    """By hand from scipy's log beta; equal shares speak for one rate, opposite ones for two."""
    from scipy.special import betaln

    one, other = Share(18, 20), Share(4, 20)
    expected = betaln(18.5, 2.5) + betaln(4.5, 16.5) - betaln(22.5, 18.5) - betaln(0.5, 0.5)
    assert log_bayes(one, other) == pytest.approx(expected) and expected > 2
    assert log_bayes(Share(18, 20), Share(18, 20)) < 0


def test_a_branch_that_changed_is_found(horn_flow: Flow) -> None:
    before = _tallies([_case(n, WAY_TO_RELAY, RELAY) for n in range(12)])
    of_late = _tallies([_case(n, WAY_TO_RELAY, GROUND) for n in range(12)])
    found = {(d.step, d.outcome): d for d in drifted_branches(horn_flow, merge([before, of_late]), of_late)}
    assert (found["supply", "weak"].before, found["supply", "weak"].of_late) == (Share(12, 12), Share(0, 12))
    assert drifted_branches(horn_flow, merge([before, before]), before) == ()


def test_branches_are_counted_for_drift_as_learning_counts_them(horn_flow: Flow) -> None:
    """Against the arrays that learning works with."""
    rng = np.random.default_rng(5)
    ways, causes = (WAY_TO_HORN, WAY_TO_RELAY, WAY_TO_HORN[:2]), (OPEN, RELAY, GROUND, "body/seat#worn", "")
    tallies = _tallies([_case(n, ways[rng.integers(3)], causes[rng.integers(5)]) for n in range(150)])
    counts = count(horn_flow, tallies, as_of="2026-03", half_life=None)
    wins, jobs = counts.by_platform.wins.sum(axis=0), counts.by_platform.jobs.sum(axis=0)
    expected = {b: Share(int(w), int(n)) for b, w, n in zip(counts.branches, wins, jobs, strict=True)}
    assert branch_shares(horn_flow, tallies) == expected and sum(jobs) > 100


def test_honesty_pools_months() -> None:
    """Brier (30 x 0.2 + 10 x 0.4) / 40 = 0.25, against 0.5 of the base rate: half as much."""
    each = {"low": 0.5, "high": 0.7, "mean": 0.6}
    january = {"jobs": 30, "brier": 0.2, "brier_at_first": 0.5}
    february = {"jobs": 10, "brier": 0.4, "brier_at_first": 0.5}
    records = [
        ("2026-01", {"scores": january, "bins": [{**each, "n": 30, "share": 0.6}]}),
        ("2026-02", {"scores": february, "bins": [{**each, "n": 10, "share": 0.7}]}),
        ("2026-03", {"scores": None, "bins": []}),
    ]
    found = calibration(records)
    assert found.whole is not None and found.whole.brier == pytest.approx(0.25)
    assert (found.bins[0].n, found.bins[0].share, found.bins[0].verdict) == (40, 25 / 40, "as said")
    assert found.paragraph == (
        "The tool had said 40 times how likely each cause was before the cause was known. "
        "It missed by 50 % less than somebody who always says the usual shares. "
        "What it called 30 % likely was true about three times in ten, and so on all along the scale."
    )
    assert calibration([]).paragraph.startswith("Nobody has measured this yet.")


def test_suggestions_come_by_the_minutes_that_could_be_saved(horn_flow: Flow) -> None:
    wrong = RejectedEnd("horn-silent", "supply", "weak", RELAY)
    cases = [_case(n, WAY_TO_HORN, OPEN) for n in range(10)]
    cases += [_case(n, WAY_TO_RELAY, GROUND, rejected=(wrong,)) for n in range(6)]
    tallies = _tallies(cases)
    procedures = procedure_figures({"horn-silent": "Horn"}, tallies, [], {}, ("2026-03",))
    found = suggestions(step_figures(horn_flow, tallies), procedures, (), (), (), ())
    misleading = next(one for one in found if one.kind is SuggestionKind.MISLEADING_END)
    assert (misleading.step, misleading.part, misleading.whole) == ("supply", 6, 6)
    assert misleading.spent is not None and misleading.saved is not None
    assert 0.7 * misleading.spent < misleading.saved < misleading.spent
    assert [one.rank for one in found] == sorted((one.rank for one in found), reverse=True)


@pytest.mark.parametrize(
    ("more", "proposed"),
    [
        ({}, True),
        ({"done": 4, "proven": 4}, False),
        ({"found": 1}, False),
        ({"bits": 0.3}, False),
        ({"is_test": False}, False),
        ({"needed": True}, False),
        ({"turned_away": 8}, False),
        ({"names_a_cause": True}, True),
        ({"names_a_cause": True, "done": 8, "proven": 8}, False),
    ],
)
def test_what_is_proposed_to_be_left_out(more: dict[str, int | bool], proposed: bool) -> None:
    """A test done 80 times that found nothing and tells next to nothing; not what is there for something else. If it
    found 1 fault in 20, 0 of 80 would come 2 times in 100 by chance, 0 of 8 66 times."""
    fields: dict[str, object] = {
        "procedure": "horn-silent", "procedure_title": "Horn", "step": "harness", "number": 3, "title": "Look along it",
        "done": 80, "proven": 80, "found": 0, "found_on_way": 0, "led_away": 0, "names_a_cause": False, "timed": 80,
        "minutes": 6.0, "bits": 0.02, **more,
    }  # fmt: skip
    found = suggestions([StepFigures(**fields)], (), (), (), (), ())  # type: ignore[arg-type]
    assert [(one.kind, one.spent, one.saved, one.each) for one in found] == (
        [(SuggestionKind.COSTLY_STEP, 480.0, 480.0, 6.0)] if proposed else []
    )
