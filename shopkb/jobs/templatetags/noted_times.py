"""When something was noted: ``{% load noted_times %}``."""

from __future__ import annotations

from datetime import datetime

from django import template
from django.template.defaultfilters import date
from django.utils import timezone

from shopkb.jobs.event import Event
from shopkb.jobs.models import Finding, HandOver, Job, Repair, Result, Verification

register = template.Library()

Row = Finding | HandOver | Repair | Result | Verification
KIND_OF: dict[type, str] = {
    Finding: Event.Kind.FINDING, HandOver: Event.Kind.OFFERED, Repair: Event.Kind.REPAIR, Result: Event.Kind.RESULT,
    Verification: Event.Kind.VERIFIED,
}  # fmt: skip


@register.filter
def noted_on(row: Row, job: Job) -> datetime:
    """When it was noted: by the device that kept it, or by the server."""
    return job.noted.get((KIND_OF[type(row)], row.pk), row.at)


@register.simple_tag
def times(row: Row, job: Job, how: str) -> str:
    """When it was noted, in Django's date format ``how``, and when it was sent where that was another minute."""
    noted, sent = (timezone.localtime(moment) for moment in (noted_on(row, job), row.at))
    told = date(noted, how)
    if told == date(sent, how):
        return told
    return f"{told}, sent {date(sent, 'H:i' if noted.date() == sent.date() else 'j F H:i')}"
