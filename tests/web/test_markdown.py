"""User text: nothing harmful comes through, and no sign of a limit is lost.

The payloads are common ones from public lists of cross-site scripting tests (OWASP), retyped for Markdown.
"""

from __future__ import annotations

from collections.abc import Iterator
from html.parser import HTMLParser

import pytest
from django.core.exceptions import ValidationError
from django.test import override_settings
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.web.markdown import LONGEST, clean, shown_markdown, to_html
from tests.examples import examples

ALLOWED: dict[str, frozenset[str]] = {
    "a": frozenset({"href", "title", "rel"}),
    "img": frozenset({"src", "alt", "title"}),
    "th": frozenset({"align"}),
    "td": frozenset({"align"}),
    "ol": frozenset({"start"}),
} | dict.fromkeys(
    ("br", "code", "em", "hr", "li", "p", "pre", "strong", "table", "tbody", "thead", "tr", "ul"), frozenset[str]()
)

ATTACKS = [
    "<script>alert(1)</script>",
    "<SCRIPT SRC=//evil.example/x.js></SCRIPT>",
    "<scr<script>ipt>alert(1)</scr</script>ipt>",
    "<img src=x onerror=alert(1)>",
    "<img src='x' onload=alert(1) />",
    "<svg onload=alert(1)>",
    "<svg><script>alert(1)</script></svg>",
    "<svg><style><img src=x onerror=alert(1)></style></svg>",
    "<math><mtext><table><mglyph><style><img src=x onerror=alert(1)>",
    "<math href='javascript:alert(1)'>x</math>",
    "<noscript><p title='</noscript><img src=x onerror=alert(1)>'>",
    "<style>body{display:none}</style>",
    "<link rel=stylesheet href=//evil.example/x.css>",
    "<meta http-equiv=refresh content='0;url=//evil.example'>",
    "<base href=//evil.example/>",
    "<iframe src=javascript:alert(1)></iframe>",
    "<object data=//evil.example></object>",
    "<embed src=//evil.example>",
    "<form action=//evil.example><input name=csrfmiddlewaretoken></form>",
    "<button hx-post=/jobs/1/close hx-trigger=load>x</button>",
    "<div hx-get=/x hx-trigger=load hx-on:load=alert(1)>x</div>",
    "<a href='javascript:alert(1)'>x</a>",
    "<body onload=alert(1)>",
    "<details open ontoggle=alert(1)>",
    "<video><source onerror=alert(1)></video>",
    "<p style='position:fixed;inset:0'>x</p>",
    "<p id=main class=danger>x</p>",
    "<!--><script>alert(1)</script>-->",
    "<![CDATA[<script>alert(1)</script>]]>",
    "<?php echo 1 ?>",
    "[x](javascript:alert(1))",
    "[x](JaVaScRiPt:alert(1))",
    "[x](java\tscript:alert(1))",
    "[x](&#106;avascript:alert(1))",
    "[x](javascript&colon;alert(1))",
    "[x](<javascript:alert(1)>)",
    "[x](\x01javascript:alert(1))",
    "[x](data:text/html;base64,PHNjcmlwdD4=)",
    "[x](vbscript:msgbox)",
    "[x](file:///etc/passwd)",
    "[x](//evil.example)",
    "[x](/\\evil.example)",
    "[x](\\\\evil.example)",
    "[x](/\t/evil.example)",
    "[x][1]\n\n[1]: javascript:alert(1)",
    '[x](/y "onmouseover=alert(1)")',
    '[x](/y" onclick=alert(1) z=")',
    "![x](javascript:alert(1))",
    "![x](data:image/svg+xml;base64,PHN2Zz4=)",
    "![x](http://evil.example/x.png)",
    "![x](//evil.example/x.png)",
    "![x](/jobs/1/delete)",
    "![x](/media/../jobs/1/delete)",
    "![x](/media/%2e%2e/jobs)",
    "![x](/media//evil.example/x.png)",
    "![x](/media/x.png?y=1)",
    "![x][1]\n\n[1]: //evil.example/x.png",
    '![" onerror="alert(1)](/media/x.png)',
    "<javascript:alert(1)>",
    "<http://evil.example/>",
    "```<script>\nalert(1)\n```",
    "``` {onclick=alert(1)}\nx\n```",
    "```js onclick=alert(1)\nx\n```",
    "|a|\n|:-:|\n|<img src=x onerror=alert(1)>|",
    "\x02wzxhzdk:0\x03<script>alert(1)</script>",
    "# <script>alert(1)</script>",
    "`<script>alert(1)</script>`",
]


BRACKETS = (
    "This text has too many opening square brackets. At most 60, and no more than eight in a row, would be right."
)


class Reader(HTMLParser):
    """Collects tags with their attributes, and the text a reader sees."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"a comment came through: {data}")

    def handle_decl(self, decl: str) -> None:
        raise AssertionError(f"a declaration came through: {decl}")

    def handle_pi(self, data: str) -> None:
        raise AssertionError(f"an instruction came through: {data}")


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    reader.close()
    return reader


def assert_harmless(html: str) -> None:
    for tag, attributes in read(html).tags:
        assert tag in ALLOWED, tag
        assert set(attributes) <= ALLOWED[tag], attributes
        href, source = attributes.get("href"), attributes.get("src")
        if href is not None:
            assert href.startswith(("http://", "https://", "mailto:", "tel:", "/", "#")), href
            assert not href.startswith(("//", "/\\")), href
        if source is not None:
            assert source.startswith("/media/"), source
            assert not any(way in source for way in ("..", "%", "//", "?")), source


@pytest.fixture(autouse=True, scope="module")
def _media() -> Iterator[None]:
    with override_settings(MEDIA_URL="/media/"):
        yield


@pytest.mark.parametrize("attack", ATTACKS)
def test_no_attack_comes_through(attack: str) -> None:
    assert_harmless(shown_markdown(attack))
    assert_harmless(shown_markdown(f"Some words {attack} and more"))
    assert_harmless(shown_markdown(f"- list\n- {attack}"))
    assert_harmless(clean(attack))


@pytest.mark.parametrize(
    ("typed", "seen"),
    [
        ("R<Rmax and U>12", "R<Rmax and U>12"),
        ("> 12 V is good", "> 12 V is good"),
        ("<0.2 V", "<0.2 V"),
        ("if U<1 V then <b>stop</b>", "if U<1 V then <b>stop</b>"),
        ("0.9<R<1.4 & I>16", "0.9<R<1.4 & I>16"),
        ("<12V@3A>", "<12V@3A>"),
        ("#3 cylinder", "#3 cylinder"),
        ("U = I*R*2", "U = I*R*2"),
        ("(a)*(b)*2", "(a)*(b)*2"),
        ("FAN_REL_2 to X_1", "FAN_REL_2 to X_1"),
        ("-12.5 V", "-12.5 V"),
        ("12.1 V or more", "12.1 V or more"),
        ("`R<1*2*3`", "R<1*2*3"),
    ],
)
def test_signs_survive(typed: str, seen: str) -> None:
    html = to_html(typed)
    assert read(html).text.strip() == seen
    assert read(clean(html)).text.strip() == seen


def test_what_writers_need() -> None:
    assert to_html("Key on.\n\n- Read at **pin 2**\n- *Twice*") == (
        "<p>Key on.</p>\n<ul>\n<li>Read at <strong>pin 2</strong></li>\n<li><em>Twice</em></li>\n</ul>"
    )
    assert '<th align="right">V</th>' in to_html("|pin|V|\n|---|--:|\n|1|12.1|")
    assert '<img alt="burnt pin" src="/media/2026/11/pin.jpg">' in to_html("![burnt pin](/media/2026/11/pin.jpg)")
    assert to_html("[job](/jobs/7/)") == '<p><a href="/jobs/7/" rel="noopener noreferrer">job</a></p>'
    assert to_html("2. Second\n3. Third").startswith('<ol start="2">')


def test_a_foreign_picture_is_said_in_words() -> None:
    assert to_html("![pin](http://evil.example/x.png)") == "<p><em>picture not shown: pin</em></p>"


@pytest.mark.parametrize("base", ["", "/", "https://elsewhere.example/"])
def test_without_a_media_path_there_are_no_pictures(base: str) -> None:
    with override_settings(MEDIA_URL=base):
        assert "<img" not in to_html("![x](/media/x.png) ![y](/y.png) ![z](https://elsewhere.example/z.png)")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("x" * 2001, "This text has 2001 characters. At most 2000 would be right."),
        (
            "a [[[[[[[[[ b",
            BRACKETS,
        ),
        (
            "[ " * 61,
            BRACKETS,
        ),
        ("1. - " * 5, "This text has a list inside a list more than eight deep on one line. Begin a new line."),
        ("a\x00b", "This text holds a character that cannot be printed. Type it again."),
        ("a\x02b", "This text holds a character that cannot be printed. Type it again."),
        ("a\ud800b", "This text holds a character that cannot be printed. Type it again."),
    ],
)
def test_refusals_say_what_would_be_right(text: str, message: str) -> None:
    with pytest.raises(ValidationError) as refused:
        to_html(text)
    assert refused.value.messages == [message]


def test_a_refused_text_is_still_shown_as_typed() -> None:
    assert shown_markdown("<b>" + "x" * 2001) == f"<p>&lt;b&gt;{'x' * 2001}</p>"


@pytest.mark.parametrize(
    "piece",
    ["*", "**a", "`", "_", "![", "> ", "- ", "1. ", "|a", "\\", "&", "<", "](", "a*b", "\n    ", "* - ", "(", "\n|"],
)
def test_the_longest_repetitions_come_to_an_end_and_are_harmless(piece: str) -> None:
    """Deep nesting and long runs; what the converter cannot take is shown as typed."""
    assert_harmless(shown_markdown((piece * LONGEST)[:LONGEST]))


fragments = st.sampled_from(
    [*ATTACKS, "R<Rmax", "U>12", "**", "*", "`", "[", "](", ")", "\n", "\n\n", "- ", "|", "|-|", "<", ">", "&lt;", "&"]
)


@given(st.lists(st.one_of(fragments, st.text(max_size=8)), max_size=12).map("".join))
@settings(max_examples=examples(400))
def test_any_text_is_harmless_and_cleaning_twice_changes_nothing(text: str) -> None:
    html = shown_markdown(text.replace("\ud800", ""))
    assert_harmless(html)
    assert clean(html) == clean(clean(html))


limits = st.tuples(
    st.sampled_from(["U", "R", "I2", "T", "12.1 V", "-3 A"]),
    st.sampled_from(["<", ">", "<=", ">=", " < ", " > "]),
    st.sampled_from(["Rmax", "12", "0.2 V", "b", "script", "a href", "U<3"]),
).map("".join)


@given(st.lists(limits, min_size=1, max_size=5).map(" and ".join))
@settings(max_examples=examples(300))
def test_every_limit_is_seen_as_typed(text: str) -> None:
    assert read(to_html(text)).text.strip() == " ".join(text.split(" "))
    assert clean(to_html(text)) == to_html(text)
