"""What is to be done, and what a reading means: ``{% load instruction_parts %}``."""

from __future__ import annotations

from django import template

from shopkb.core.flow import instructions

register = template.Library()

register.filter("work", instructions.work)
register.filter("meaning", instructions.meaning)
