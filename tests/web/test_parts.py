"""The fragments and pages: words, ties between label, help and error, nothing that the content rules would block."""

from __future__ import annotations

import math
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django import forms
from django.contrib.messages import constants
from django.core.paginator import Paginator
from django.http import QueryDict
from django.template.loader import render_to_string
from django.utils.safestring import mark_safe

from shopkb.core.diagnosis.rates.intervals import NO_EVIDENCE, jeffreys
from shopkb.core.readings.bands import Interval
from shopkb.web.numberline import Segment, number_line
from tests.markup import one_line, without_gaps

from .styles import FOLDER

TEMPLATES = sorted((FOLDER / "templates").rglob("*.html"))


def part(name: str, **context: Any) -> str:
    """A fragment as text, white space evened out."""
    return without_gaps(render_to_string(f"web/_{name}.html", context))


def words_of(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


class Intake(forms.Form):
    odometer = forms.IntegerField(help_text="As shown now.")
    verified = forms.ChoiceField(choices=[("y", "Yes"), ("n", "No")], widget=forms.RadioSelect, required=False)
    cold = forms.BooleanField(label="Engine was cold", required=False)


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.name)
def test_nothing_the_content_rules_would_block(template: Path) -> None:
    text = template.read_text(encoding="utf-8")
    assert not re.search(r"\sstyle=|<style|\son[a-z]+=|javascript:|hx-on|hx-vals=.js:", text)
    assert all(" src=" in script for script in re.findall(r"<script[^>]*>", text))
    assert not re.search(r"(?:src|href|action)=.(?:https?:)?//", text)


@pytest.mark.parametrize(
    ("code", "heading"),
    [
        ("400", "What was sent could not be understood"),
        ("403", "You may not do this"),
        ("403_csrf", "This form is too old to be taken"),
        ("404", "There is nothing at this address"),
        ("500", "The program failed at this page"),
    ],
)
def test_error_pages_stand_alone(code: str, heading: str) -> None:
    """400 and 500 are rendered by Django without any context."""
    html = without_gaps(render_to_string(f"{code}.html"))
    assert f"<h1>{heading}</h1>" in html
    assert "!" not in words_of(html.replace("<!doctype html>", ""))
    assert '<a class="button primary" href="/">Go to the start page</a>' in html


@pytest.mark.parametrize(
    ("exception", "shown"), [("No job has the number 7.", True), ("Resolver404", False), ("<b> x", False)]
)
def test_reason_of_a_missing_page_is_given_where_it_is_a_sentence(exception: str, shown: bool) -> None:
    assert (exception in render_to_string("404.html", {"exception": exception})) == shown


def test_base_page_has_its_blocks_and_htmx_within_the_rules() -> None:
    html = one_line(render_to_string("base.html", {"csrf_token": "token"}))
    assert '<body class="office" hx-headers=\'{"X-CSRFToken": "token"}\' hx-history="false">' in html
    assert '"allowEval":false' in html
    assert '"includeIndicatorStyles":false' in html
    assert '"selfRequestsOnly":true' in html
    assert html.index("theme.js") < html.index("tokens.css")
    base = (FOLDER / "templates" / "base.html").read_text(encoding="utf-8")
    blocks = re.findall(r"{% block (\w+) %}", base)
    assert set(blocks) >= {"title", "head", "body_class", "job_line", "nav", "messages", "main", "bar", "foot"}


def test_field_ties_help_and_error_to_the_control() -> None:
    form = Intake(QueryDict("odometer=many"))
    html = part("field", field=form["odometer"], unit="km")
    control = re.search(r"<input[^>]+>", html)
    assert control is not None
    assert 'aria-describedby="id_odometer_helptext id_odometer_error"' in control[0]
    assert 'aria-invalid="true"' in control[0]
    assert '<div class="help" id="id_odometer_helptext">As shown now.</div>' in html
    assert 'id="id_odometer_error"' in html
    assert '<label for="id_odometer">Odometer</label>' in html
    assert '<span class="unit">km</span>' in html


def test_choices_are_a_group_and_optional_fields_say_so() -> None:
    html = part("field", field=Intake()["verified"])
    assert html.startswith('<fieldset class="field">')
    assert '<legend>Verified<span class="optional">(optional)</span></legend>' in html
    tick = part("field", field=Intake()["cold"])
    assert re.search(r'<label for="id_cold"><input [^>]+><span>Engine was cold</span></label>', tick)


@pytest.mark.parametrize("word", ["danger", "Warning", "CAUTION"])
def test_caution_shows_word_symbol_and_text(word: str) -> None:
    html = part("caution", word=word, text="The fan <may> start.", hazards="fan")
    assert words_of(html) == f"{word.upper()} The fan &lt;may&gt; start. fan"
    assert html.count("<svg") == 1
    assert f'role="note" aria-label="{word.upper()}"' in html


def test_notice_has_no_alert_symbol() -> None:
    html = part("caution", word="NOTICE", text=mark_safe("<p>Probe from the <b>wire side</b>.</p>"))
    assert "<svg" not in html
    assert words_of(html) == "NOTICE Probe from the wire side ."


def test_rate_says_figure_interval_and_jobs() -> None:
    rate = SimpleNamespace(mean=0.714, low=0.58, high=0.82, n=34)
    html = part("rate", rate=rate, borrowed="borrowed from Curlew")
    assert words_of(html) == "71 % , 58 to 82, 34 jobs borrowed from Curlew"
    assert '<b>71 %</b>, 58 to 82, 34 jobs</span><svg viewBox="0 0 100 14"' in html
    assert "<svg" not in part("rate", rate=rate, bare=True)
    assert words_of(part("rate", rate=jeffreys(0, 3))).startswith("13 % , 0 to ")


@pytest.mark.parametrize("rate", [NO_EVIDENCE, None])
def test_no_jobs_yet(rate: object) -> None:
    assert part("rate", rate=rate) == '<span class="rate"><span class="none">no jobs yet</span></span>'


def test_bars_say_figure_and_word() -> None:
    bars = [
        SimpleNamespace(label="Resistor <open>", share=0.71, note="measured"),
        SimpleNamespace(label="Relay", share=0.0, out=True),
    ]
    html = part("bars", bars=bars)
    assert words_of(html) == "Resistor &lt;open&gt; 71 % likely measured Relay 0 % ruled out"
    assert 'class="length" x="0" y="1" width="71"' in html


def test_number_line_fragment_carries_drawing_and_words() -> None:
    line = number_line([Segment("Good", Interval(-math.inf, 0.2)), Segment("Bad", Interval(0.2, math.inf))], "V", 0.3)
    html = part("numberline", line=line)
    assert words_of(html).endswith("1 Good, under 0.2 V 2 Bad, 0.2 V or more")
    assert '<li class="held"><span class="key">2</span>' in html


def test_messages_are_told_by_a_word() -> None:
    levels = [constants.SUCCESS, constants.INFO, constants.WARNING, constants.ERROR]
    told = [type("Told", (), {"level": level, "__str__": lambda self: "it <b>"})() for level in levels]
    html = part("messages", messages=told)
    assert words_of(html) == ("Done. it &lt;b&gt; Note. it &lt;b&gt; Please check. it &lt;b&gt; Not done. it &lt;b&gt;")
    assert part("messages", messages=[]) == ""


def test_pager_keeps_filters(rf: Any) -> None:
    page = Paginator(range(60), 25).page(2)
    html = " ".join(render_to_string("web/_pager.html", {"page": page}, rf.get("/?q=horn&page=2")).split())
    assert 'href="?q=horn&amp;page=1">Previous</a>' in html
    assert 'href="?q=horn&amp;page=3">Next</a>' in html
    assert "Page 2 of 3, rows 26 to 50 of 60" in html
    assert part("pager", page=Paginator(range(3), 25).page(1)) == ""


def test_answer_is_a_button_of_a_form() -> None:
    html = part("answer", key="1", label="Full supply", goes="12.1 V or more", value="full", primary=True)
    assert html.startswith('<button class="answer primary" type="submit" name="outcome" value="full">')
    assert words_of(html) == "1 Full supply 12.1 V or more"


def test_rail_pad_and_chart_have_words() -> None:
    assert words_of(part("rail", marks=["done", "now", "ahead"], words="step 2, about 1 more")) == (
        "step 2, about 1 more"
    )
    assert 'data-pad="reading" role="group" aria-label="Number pad" hidden' in part("pad", target="reading")
    chart = part("chart", drawn={"svg": mark_safe("<svg></svg>"), "drawing": "cards", "has_now": True}, label="Horn")
    assert 'tabindex="0" role="region" aria-label="Horn"><svg></svg>' in chart
    assert "Whole chart Show current step Overview Full screen What the signs mean" in words_of(chart)
