from __future__ import annotations

import pytest

from shopkb.core.flow.instructions import meaning, with_more_work, work


@pytest.mark.parametrize(
    ("instruction", "to_do", "means"),
    [
        ("", "", ""),
        ("1. Key out.\n2. Read.\n", "1. Key out.\n2. Read.", ""),
        ("1. Read.\n\n---\n\n0.2 V is too much.\n", "1. Read.", "0.2 V is too much."),
        ("Read.\n\n---\n\nMore.\n\n-----  \n\nWhy.", "Read.\n\n---\n\nMore.", "Why."),
        ("Lift the car\n---\nNever stand under it.\n1. Do it.", None, ""),
        ("Lift the car\n\n---\nNever stand under it.", None, ""),
        ("1. Lift.\n\n---\n\nThen:\n2. Lower.", None, ""),
        ("1. Lift.\n\n---\n\n- stand clear", None, ""),
        ("```\n\n---\n\nx\n```", None, ""),
        ("| a | b |\n|---|---|\n| 1 | 2 |\n\nLeads --- red first.", None, ""),
        ("---\n\nOnly why.", "", "Only why."),
    ],
    ids=[
        "nothing",
        "work",
        "both",
        "last-rule",
        "heading",
        "rule-without-a-blank",
        "points-below",
        "list-below",
        "code",
        "table-and-dashes",
        "meaning",
    ],
)
def test_parts_of_an_instruction(instruction: str, to_do: str | None, means: str) -> None:
    assert work(instruction) == (instruction if to_do is None else to_do)
    assert meaning(instruction) == means


def test_more_work_stands_before_what_it_means() -> None:
    assert with_more_work("1. Read.\n\n---\n\nWhy.", "A picture.") == "1. Read.\n\nA picture.\n\n---\n\nWhy."
    assert with_more_work("1. Read.\n", "A picture.") == "1. Read.\n\nA picture."
    assert with_more_work("", "A picture.") == "A picture."
