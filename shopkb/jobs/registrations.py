"""Registrations as they are written and as they are compared."""

from __future__ import annotations

from django.db.models import F, Value
from django.db.models.functions import Replace

BETWEEN = (" ", "-")
"""What is written between the parts of a registration, or left out."""


def normal_registration(text: str) -> str:
    """Upper case, single blanks: as it is stored and shown."""
    return " ".join(text.upper().split())


def bare_registration(text: str) -> str:
    """As it is compared: ``kx61-vrd`` and ``KX61 VRD`` are ``KX61VRD``."""
    bare = normal_registration(text)
    for mark in BETWEEN:
        bare = bare.replace(mark, "")
    return bare


def bare(field: str) -> Replace:
    """The same of a stored registration."""
    blank, hyphen = BETWEEN
    return Replace(Replace(F(field), Value(blank)), Value(hyphen))
