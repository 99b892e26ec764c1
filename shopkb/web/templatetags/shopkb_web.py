"""Template filters and tags of the page kit: ``{% load shopkb_web %}``."""

from __future__ import annotations

import datetime as dt

from django import template
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from shopkb.web import bars, humanize, mileage, money
from shopkb.web.markdown import shown_markdown

register = template.Library()

register.filter("signal_class", humanize.signal_class)
register.filter("minutes", humanize.minutes_text)
register.filter("percent", humanize.percent)
register.filter("percent_number", humanize.percent_number)
register.filter("jobs_words", humanize.jobs_text)
register.filter("chance_words", humanize.chance_text)
register.filter("mileage", mileage.mileage_text)
register.filter("money", money.money_text)


@register.filter
def md(text: str | None) -> SafeString:
    """User text as safe HTML."""
    return shown_markdown(text or "")


@register.filter
def reading(value: object, how: str = "") -> str:
    """A quantity as a meter shows it; ``reading:"signed"`` for a difference."""
    return humanize.reading_text(value, signed=how == "signed")


@register.filter
def when(moment: dt.datetime | dt.date | None) -> str:
    """How long ago and at what date, in the shop's time zone."""
    if moment is None:
        return ""
    if isinstance(moment, dt.datetime):
        moment = timezone.localtime(moment)
    return format_html(
        '<time datetime="{}">{}</time>', moment.isoformat(), humanize.when_text(moment, timezone.localtime())
    )


@register.simple_tag
def interval_bar(share: float, low: float, high: float) -> SafeString:
    return mark_safe(bars.interval_bar(share, low, high))  # noqa: S308  (numbers only)


@register.simple_tag
def length_bar(share: float) -> SafeString:
    return mark_safe(bars.length_bar(share))  # noqa: S308  (numbers only)
