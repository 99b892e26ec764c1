"""Fields of forms that several rooms use."""

from __future__ import annotations

from django import forms


class NeededText(forms.CharField):
    """Text that the form's own check asks for in most cases: it is not called optional."""

    needed = True
