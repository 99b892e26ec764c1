from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db import migrations, models


def tell_writers(apps: Any, _schema_editor: Any) -> None:
    """The author, and for what is not published yet whoever is known to have saved it."""
    Revision = apps.get_model("procedures", "Revision")
    for revision in Revision.objects.all():
        revision.writers.add(revision.author_id)
        if revision.state in ("draft", "in-review"):
            revision.writers.add(*revision.earlier_states.values_list("by", flat=True).distinct())


class Migration(migrations.Migration):
    dependencies = [
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
        ("procedures", "0005_remove_rows_of_flows"),
    ]

    operations = [
        migrations.AddField(
            "revision",
            "writers",
            models.ManyToManyField(
                to=settings.AUTH_USER_MODEL,
                related_name="+",
                help_text="Whoever saved any part of it, the author among them.",
            ),
        ),
        migrations.RunPython(tell_writers, migrations.RunPython.noop),
    ]
