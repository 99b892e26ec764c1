"""What users write, as HTML that cannot do harm and loses no sign.

Two layers: Markdown without its parts that swallow signs or bring HTML, then an allow-list. ``R<Rmax and U>12``, a
line that starts with ``> 12 V`` or ``#3``, and ``I*R*2`` stay as typed: a limit must not vanish.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from xml.etree.ElementTree import Element

import markdown
import nh3
from django.conf import settings
from django.core.exceptions import ValidationError
from django.utils.html import linebreaks
from django.utils.safestring import SafeString, mark_safe
from markdown.extensions.tables import TableExtension
from markdown.inlinepatterns import InlineProcessor
from markdown.treeprocessors import Treeprocessor
from markdown.util import ETX, STX

LONGEST = 2_000
"""Characters of one text. The time of the converter grows with the square of some inputs."""

MOST_BRACKETS = 60
"""Opening square brackets in one text; a run of more than eight is refused too."""

STEP_PICTURES = "/procedures/pictures/"
"""Where the pictures of instructions stand."""

_NESTED_ON_A_LINE = re.compile(r"^[ \t]*(?:(?:[*+-]|[0-9]+\.)[ \t]+){9}", re.MULTILINE)
_BRACKET_RUN = re.compile(r"\[{9,}")
_TEXT_TAGS = {"a", "br", "code", "em", "hr", "img", "li", "ol", "p", "pre", "strong", "ul"}
_TABLE_TAGS = {"table", "tbody", "td", "th", "thead", "tr"}
_ATTRIBUTES = {
    "a": {"href", "title"},
    "img": {"src", "alt", "title"},
    "th": {"align"},
    "td": {"align"},
    "ol": {"start"},
}
_SCHEMES = {"http", "https", "mailto", "tel"}
_LINK = re.compile(r"(?:https?://|mailto:|tel:)[^\s\\]+|/(?![/\\])[^\s\\]*|#[\w-]*", re.IGNORECASE)
_IMAGE_REST = re.compile(r"(?:[\w-]+/)*[\w-]+(?:\.[\w-]+)?", re.ASCII)
_ALIGNMENTS = {"left", "right", "center"}


def validate_text(text: str) -> None:
    """Refuse text that would take long or cannot be shown; for form and model fields.

    Raises:
        ValidationError: in words for its writer.
    """
    if len(text) > LONGEST:
        raise ValidationError(f"This text has {len(text)} characters. At most {LONGEST} would be right.", code="long")
    if _BRACKET_RUN.search(text) or text.count("[") > MOST_BRACKETS:
        raise ValidationError(
            "This text has too many opening square brackets. "
            f"At most {MOST_BRACKETS}, and no more than eight in a row, would be right.",
            code="brackets",
        )
    if _NESTED_ON_A_LINE.search(text):
        raise ValidationError(
            "This text has a list inside a list more than eight deep on one line. Begin a new line.", code="nested"
        )
    if any(unicodedata.category(letter) in {"Cc", "Cs"} and letter not in "\t\n\r" for letter in text):
        raise ValidationError("This text holds a character that cannot be printed. Type it again.", code="control")


def image_allowed(address: str) -> bool:
    """Only pictures that were uploaded here: of jobs below ``MEDIA_URL``, of steps; no way up, no query."""
    for base in (settings.MEDIA_URL, STEP_PICTURES):
        if base not in {"", "/"} and base.startswith("/") and address.startswith(base):
            return _IMAGE_REST.fullmatch(address[len(base) :]) is not None
    return False


def _kept(attribute: str, value: str) -> str | None:
    """Value of an attribute, or None where it is not allowed."""
    if attribute == "href":
        return value if _LINK.fullmatch(value) else None
    if attribute == "src":
        return value if image_allowed(value) else None
    if attribute == "align":
        return value if value in _ALIGNMENTS else None
    if attribute == "start":
        return value if value.isascii() and value.isdigit() and len(value) < 6 else None
    return value


_CLEANER = nh3.Cleaner(
    tags=_TEXT_TAGS | _TABLE_TAGS,
    attributes=_ATTRIBUTES,
    url_schemes=_SCHEMES,
    attribute_filter=lambda tag, attribute, value: _kept(attribute, value),
    link_rel="noopener noreferrer",
)


class _ForeignImages(Treeprocessor):
    """Replace a picture from another site by its text: the content security policy would not show it."""

    def run(self, root: Element) -> None:
        for image in root.iter("img"):
            if not image_allowed(image.get("src", "")):
                alternative = image.get("alt", "")
                image.tag = "em"
                image.attrib.clear()
                image.text = f"picture not shown: {alternative}" if alternative else "picture not shown"


class _TimesSign(InlineProcessor):
    """A star between two letters, digits or parentheses multiplies; it does not start emphasis."""

    def handleMatch(self, m: re.Match[str], data: str) -> tuple[str, int, int]:  # type: ignore[override]
        return f"{STX}{ord('*')}{ETX}", m.start(0), m.end(0)


def _converter() -> markdown.Markdown:
    converter = markdown.Markdown(extensions=[TableExtension(use_align_attribute=True), "sane_lists", "fenced_code"])
    converter.preprocessors.deregister("html_block")
    converter.inlinePatterns.deregister("html")
    for name in ("quote", "hashheader", "setextheader"):
        converter.parser.blockprocessors.deregister(name)
    for name in ("autolink", "automail"):
        converter.inlinePatterns.deregister(name)
    converter.inlinePatterns.register(_TimesSign(r"(?<=[\w)])\*(?=[\w(])", converter), "times", 175)
    converter.treeprocessors.register(_ForeignImages(converter), "foreign_images", 5)
    return converter


def clean(html: str) -> str:
    """HTML with nothing left but the tags and attributes allowed here. Cleaning twice changes nothing."""
    return _CLEANER.clean(html)


def to_html(text: str) -> SafeString:
    """Safe HTML of a user's text.

    Raises:
        ValidationError: the text is refused by :func:`validate_text`.
    """
    validate_text(text)
    return mark_safe(clean(_converter().convert(text)))  # noqa: S308  (cleaned by the allow-list)


@lru_cache(maxsize=1024)
def _shown(text: str, media: str) -> SafeString:
    try:
        return to_html(text)
    except (ValidationError, RecursionError):
        return mark_safe(linebreaks(text, autoescape=True))  # noqa: S308  (escaped)


def shown_markdown(text: str) -> SafeString:
    """The same for showing: a stored text that would be refused today is shown as typed, not an error. Cached."""
    return _shown(text, settings.MEDIA_URL)
