"""Evidence as sums: by hand, and the laws of addition (commutative, associative, every sum can be taken back)."""

from __future__ import annotations

from dataclasses import astuple, replace

from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase, RejectedEnd
from shopkb.core.diagnosis.counting.tallies import SKIP, ZERO, TallyKey, TallySums, contributions, merge, take_back
from tests.examples import examples

HORN = "body/horn/horn#open circuit"
RELAY = "body/horn/relay#burnt contacts"

# By hand: one job on an Curlew, closed in March. Two procedures, one step answered twice, one left out.
CASE = ClosedCase(
    job=1,
    platform="curlew/dunlin",
    month="2026-03",
    cause=HORN,
    proof="measured",
    claimed=HORN,
    results=(
        CaseResult("horn-silent", "press", "sounds", seconds=50),
        CaseResult("horn-silent", "supply", "full", seconds=90),
        CaseResult("horn-silent", "press", "click", seconds=30),
        CaseResult("horn-control", "coil", "", skipped="no-access", seconds=10),
        CaseResult("horn-control", "look", "clean", seconds=None),
    ),
    rejected=(RejectedEnd("horn-silent", "supply", "weak", RELAY),) * 2,
)


def key(procedure: str, step: str, outcome: str, cause: str = HORN, proof: str = "measured") -> TallyKey:
    return TallyKey(procedure, step, outcome, cause, proof, "curlew/dunlin", "2026-03")


def test_a_job_by_hand() -> None:
    """The step answered twice counts once, by its latest result; its first time still belongs to the whole run.

    Squares: 30 x 30 = 900, 90 x 90 = 8100, (50 + 90 + 30) squared = 28900. The second run lacks a time, so it has none.
    """
    assert contributions(CASE) == {
        key("horn-silent", "press", "click"): TallySums(1, 1, 30, 900),
        key("horn-silent", "supply", "full"): TallySums(1, 1, 90, 8100),
        key("horn-control", "coil", f"{SKIP}no-access"): TallySums(1, 1, 10, 100),
        key("horn-control", "look", "clean"): TallySums(1),
        key("horn-silent", "", ""): TallySums(1, 1, 170, 28900),
        key("horn-control", "", ""): TallySums(1),
        key("horn-silent", "supply", "weak", "", ""): TallySums(rejected=1),
    }


def test_a_job_that_came_back_by_hand() -> None:
    """Traffic without a cause, and under the cause it had claimed only that it came back."""
    back = replace(CASE, cause="", came_back=True, results=CASE.results[1:2], rejected=())
    assert contributions(back) == {
        key("horn-silent", "supply", "full", "", ""): TallySums(1, 1, 90, 8100),
        key("horn-silent", "supply", "full"): TallySums(came_back=1),
        key("horn-silent", "", "", "", ""): TallySums(1, 1, 90, 8100),
        key("horn-silent", "", ""): TallySums(came_back=1),
    }


def test_a_job_with_two_causes_says_so_wherever_it_counts() -> None:
    """The confirmed cause named again is no second one; a job without a confirmed cause has none either."""
    two = contributions(replace(CASE, also=(RELAY, HORN), rejected=()))
    assert {part.together for part in two.values()} == {1}
    assert two[key("horn-silent", "press", "click")] == TallySums(1, 1, 30, 900, together=1)
    alone = (replace(CASE, also=(HORN,), rejected=()), replace(CASE, cause="", claimed="", also=(RELAY,), rejected=()))
    assert {part.together for case in alone for part in contributions(case).values()} == {0}


def test_a_job_without_a_cause_is_traffic_without_a_proof() -> None:
    lost = replace(CASE, cause="", claimed="")
    assert {(one.cause, one.proof) for one in contributions(lost)} == {("", "")}


def test_a_job_that_followed_nothing_says_nothing() -> None:
    assert contributions(replace(CASE, results=(), rejected=())) == {}


# Laws

words = st.sampled_from(["", "a", "b"])
results = st.builds(
    CaseResult,
    procedure=st.sampled_from(["p", "q"]),
    step=st.sampled_from(["s", "t", "u"]),
    outcome=words,
    skipped=st.sampled_from(["no-time", "no-access"]),
    seconds=st.none() | st.integers(0, 5000),
)
ends = st.builds(
    RejectedEnd, st.sampled_from(["p", "q"]), st.sampled_from(["s", "t"]), st.sampled_from(["a", "b"]), words
)


@st.composite
def cases(draw: st.DrawFn) -> ClosedCase:
    claimed = draw(words)
    came_back = draw(st.booleans())
    return ClosedCase(
        job=1,
        platform=draw(st.sampled_from(["curlew", "godwit"])),
        month=draw(st.sampled_from(["2026-01", "2026-02"])),
        cause="" if came_back else claimed,
        proof=draw(st.sampled_from(["seen", "measured"])) if claimed else "",
        claimed=claimed,
        came_back=came_back and bool(claimed),
        results=tuple(draw(st.lists(results, max_size=6))),
        rejected=tuple(draw(st.lists(ends, max_size=2))),
        also=tuple(draw(st.lists(words, max_size=2))),
    )


many = settings(max_examples=examples(100))


@many
@given(st.lists(cases(), max_size=5), st.randoms(use_true_random=False))
def test_the_order_of_adding_does_not_matter(found: list[ClosedCase], dice: object) -> None:
    parts = [contributions(case) for case in found]
    other = list(parts)
    dice.shuffle(other)  # type: ignore[attr-defined]
    assert merge(parts) == merge(other)


@many
@given(cases(), cases(), cases())
def test_shops_can_be_added_in_any_grouping(one: ClosedCase, two: ClosedCase, three: ClosedCase) -> None:
    a, b, c = (contributions(case) for case in (one, two, three))
    assert merge([merge([a, b]), c]) == merge([a, merge([b, c])]) == merge([a, b, c])


@many
@given(st.lists(cases(), max_size=4), cases())
def test_what_was_added_can_be_taken_back(rest: list[ClosedCase], one: ClosedCase) -> None:
    others = merge(contributions(case) for case in rest)
    said = contributions(one)
    assert merge([others, said, take_back(said)]) == others
    assert merge([said, take_back(said)]) == {}
    assert take_back(take_back(said)) == said


@many
@given(cases())
def test_a_job_counts_once_on_each_branch(case: ClosedCase) -> None:
    said = contributions(case)
    assert all(said.values())
    assert all(0 <= part.timed <= part.count <= 1 and 0 <= part.came_back <= 1 for part in said.values())
    assert all(part.seconds**2 == part.seconds_squared for part in said.values())
    for procedure in case.procedures:
        steps = {result.step for result in case.results if result.procedure == procedure}
        counted = [one.step for one, part in said.items() if one.procedure == procedure and part.count]
        assert sorted(counted) == sorted([*steps, ""])


@many
@given(st.lists(st.builds(TallySums, *[st.integers(-9, 9)] * 7), min_size=3, max_size=3))
def test_sums_add_field_by_field(sums: list[TallySums]) -> None:
    """Python's own sum over the fields is the witness."""
    one, two, three = sums
    assert astuple(one + two + three) == tuple(map(sum, zip(*map(astuple, sums), strict=True)))
    assert one + -one == ZERO
    assert bool(one) == any(astuple(one))
