"""What is remembered is given back only while what it rests on is equal."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from shopkb.reports import memory
from shopkb.reports.memory import Memory


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 2)), max_size=60), st.integers(1, 4))
def test_a_value_is_always_that_of_what_it_rests_on(asked: list[tuple[int, int]], most: int) -> None:
    held: Memory[tuple[int, int]] = Memory(most)
    for name, rests_on in asked:
        assert held.of(name, rests_on, lambda pair=(name, rests_on): pair) == (name, rests_on)


def test_an_equal_foundation_is_not_worked_out_again() -> None:
    held: Memory[int] = Memory(2)
    made: list[int] = []

    def make() -> int:
        made.append(1)
        return len(made)

    assert [held.of("a", {"jobs": 1}, make), held.of("a", {"jobs": 1}, make)] == [1, 1]
    assert held.of("a", {"jobs": 2}, make) == 2
    assert held.held("a", {"jobs": 1}) is None


def test_the_one_not_asked_for_longest_goes_first() -> None:
    held: Memory[str] = Memory(2)
    for name in ("a", "b"):
        held.keep(name, 0, name)
    held.of("a", 0, lambda: "again")
    held.keep("c", 0, "c")
    assert [held.held(name, 0) for name in "abc"] == ["a", None, "c"]
    memory.forget()
    assert held.held("a", 0) is None
