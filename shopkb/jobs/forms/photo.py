"""A picture for a job."""

from __future__ import annotations

from django import forms

from shopkb.jobs.forms.fields import IdempotentForm


class PhotoForm(IdempotentForm):
    """A picture from the camera or the device."""

    picture = forms.FileField(
        label="Picture",
        help_text="JPEG, PNG or WebP, up to 12 MB. It is turned upright and the place it was taken is removed.",
        widget=forms.FileInput(attrs={"accept": "image/jpeg,image/png,image/webp", "capture": "environment"}),
    )
    words = forms.CharField(label="What it shows", max_length=200, required=False)
