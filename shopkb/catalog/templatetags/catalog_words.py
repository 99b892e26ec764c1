"""Names of catalog records in templates: built in, no load needed."""

from __future__ import annotations

from django import template
from django.db import models

from shopkb.catalog.models import Access, Cause, Caution, Meter, OtherWords, Platform, Symptom, System, TreeNode
from shopkb.catalog.platform_names import platform_name

register = template.Library()


@register.filter
def full_name(platform: Platform) -> str:
    """The platform's name from its maker down."""
    return platform_name(platform.path)


@register.filter
def in_tree(node: TreeNode) -> str:
    """Its name, with a dash for each level it stands below the top."""
    return f"{'– ' * node.level}{node.name}"


@register.filter
def entry_facts(row: models.Model) -> str:
    """What a list says of an entry of the catalog beside its name."""
    match row:
        case System():
            return "; ".join([row.path, *row.hazards])
        case Platform():
            return row.path
        case Symptom():
            return "; ".join([*([row.system.name] if row.system else []), *row.codes])
        case Cause():
            return row.component.path
        case Caution():
            return "; ".join([row.key, *row.hazards])
        case Access():
            return "; ".join([f"{row.minutes:g} min", *row.hazards])
        case Meter():
            return f"{len(row.accuracies)} range{'s' * (len(row.accuracies) != 1)}"
        case OtherWords():
            return row.key
    return ""
