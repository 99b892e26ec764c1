"""What is to be done stands over the answers, what a reading means under them."""

from __future__ import annotations

from django.template.loader import render_to_string

from shopkb.core.flow.model import Step, TestKind


def test_what_a_reading_means_is_not_in_the_way_of_the_answers() -> None:
    step = Step(
        "drop", "Voltage lost", TestKind.MEASURE, (), instruction="1. Tips on.\n\n---\n\n**0.2 V** is too much."
    )
    over, under = (render_to_string(f"jobs/{name}.html", {"step": step}) for name in ("_what_to_do", "_what_it_means"))
    assert "Tips on" in over and "0.2 V" not in over and "<hr" not in over
    assert "<strong>0.2 V</strong> is too much" in under and "Tips on" not in under


def test_nothing_stands_under_the_answers_where_nothing_is_parted() -> None:
    step = Step("look", "Look", TestKind.LOOK, (), instruction="1. Look.\n\nWhy.")
    assert render_to_string("jobs/_what_it_means.html", {"step": step}).strip() == ""
