"""The one door for an entry of the catalog that a person fills in: trees, safety words, the rest, each by its rule."""

from __future__ import annotations

from typing import Any

from django.db import IntegrityError, models, transaction
from django.forms import ModelForm
from django.utils.text import get_text_list

from shopkb.accounts.models import User
from shopkb.catalog import trees, wordings
from shopkb.catalog.models import Cause, Proposal, System, TreeNode
from shopkb.catalog.uses import uses_of


def save_entry(form: ModelForm[Any], *, by: User) -> Proposal | None:
    """Store what a valid form says. Hands back the proposal where a second person has to confirm some of it.

    Raises:
        trees.TreeRefusal: it would not fit into its tree, would make another cause of one that is used, or the same
            entry was stored since the form was looked at.
        wordings.ChangeRefused: another change of it waits already.
    """
    try:
        with transaction.atomic():
            return _save(form, by)
    except IntegrityError as error:
        if not is_duplicate(error):
            raise
        raise trees.DuplicateKey("An entry like this was stored a moment ago. Look for it in the list.") from error


def is_duplicate(error: IntegrityError) -> bool:
    """Whether a row like it is there already: SQL's condition 23505 (``unique_violation``), or SQLite's words."""
    return getattr(error.__cause__, "sqlstate", "") == "23505" or "UNIQUE constraint failed" in str(error)


def _save(form: ModelForm[Any], by: User) -> Proposal | None:
    row = form.instance
    if isinstance(row, TreeNode):
        return _save_node(row, form, by)
    if wordings.is_safety_row(row):
        return _save_safety_row(row, form, by)
    if isinstance(row, Cause) and row.pk is not None:
        _refuse_another(row)
    row.save()
    return None


def remove_entry(row: models.Model, *, by: User) -> None:
    """Take an entry out of the catalog.

    Raises:
        trees.TreeRefusal: something names it, or stands below it.
        wordings.ChangeRefused: a procedure was followed under its words.
    """
    if isinstance(row, TreeNode):
        trees.remove(row, by=by)
        return
    if uses := uses_of(row):
        raise trees.StillInUse(
            f"{row} cannot be removed. It is used by {uses}. Remove these or point them elsewhere first."
        )
    if wordings.is_safety_row(row):
        wordings.refuse_removal(row)
    if isinstance(row, Cause) and (titles := wordings.uses(wordings.CAUSE, row.identity)):
        raise trees.StillInUse(
            f"{row} cannot be removed. {get_text_list(titles, 'and')} can prove it, and a repair of it has to name it."
        )
    row.delete()


def _refuse_another(cause: Cause) -> None:
    """Refuse to make another cause of one that procedures prove or repairs name: both would say what nobody meant."""
    before = Cause.objects.select_related("component").get(pk=cause.pk)
    if before.identity == cause.identity:
        return
    if used := uses_of(before) or get_text_list(wordings.uses(wordings.CAUSE, before.identity), "and"):
        raise trees.StillInUse(f"{before} stays what it is: it is used by {used}. Make a new cause instead.")


def _save_node(node: Any, form: ModelForm[Any], by: User) -> Proposal | None:
    hazards = node.hazards if isinstance(node, System) else ()
    done: object = None
    if node.pk is None:
        made = trees.add(type(node), key=node.key, name=node.name, parent=node.parent, hazards=hazards, by=by)
        node.pk, node._state.adding = made.pk, False
    else:
        with trees.locked(type(node)):
            if "name" in form.changed_data:
                trees.rename(node, node.name, by=by)
            if "parent" in form.changed_data:
                trees.move(node, node.parent, by=by)
            if "hazards" in form.changed_data:
                done = trees.set_hazards(node, hazards, by=by, why=form.cleaned_data.get("why", ""))
    node.refresh_from_db()
    return done if isinstance(done, Proposal) else None


def _save_safety_row(row: wordings.SafetyRow, form: ModelForm[Any], by: User) -> Proposal | None:
    """What safety rests on goes through :mod:`shopkb.catalog.wordings`; the rest of the row is stored at once."""
    is_new = row.pk is None
    wanted = wordings.facts_of(row)
    kept = wordings.empty_facts(row) if is_new else wordings.facts_of(type(row)._default_manager.get(pk=row.pk))
    for name, value in (kept or {}).items():
        setattr(row, name, value)
    row.save()
    why = form.cleaned_data.get("why", "") or ("New." if is_new else "")
    wordings.record([row], by=by, why=why)
    done = wordings.change(row, wanted, by=by, why=why)
    row.refresh_from_db()
    return done if isinstance(done, Proposal) else None
