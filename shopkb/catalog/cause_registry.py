"""The door to causes: one row for a component and a failure mode, whoever names it first."""

from __future__ import annotations

from django.db import IntegrityError, transaction

from shopkb.catalog.models import Cause, System


class UnknownComponent(Exception):
    """No system has this path."""


class ModeMissing(Exception):
    """A cause needs its failure mode."""


def cause_for(component_path: str, mode: str) -> Cause:
    """The cause with this component and failure mode, made if it is new. Case and outer blanks do not make another.

    Raises:
        UnknownComponent: no system has this path.
        ModeMissing: ``mode`` is blank or too long.
    """
    mode_text = mode.strip()
    longest = Cause._meta.get_field("mode").max_length or 0
    if not mode_text:
        raise ModeMissing("A cause needs its failure mode. Write how the part fails, such as open circuit.")
    if len(mode_text) > longest:
        raise ModeMissing(f"The failure mode {mode_text!r} is longer than {longest} characters. Say it in fewer words.")
    component = System.objects.filter(path=component_path).first()
    if component is None:
        raise UnknownComponent(f"No system has the path {component_path!r}. Add it to the systems tree first.")
    found = _existing(component, mode_text)
    if found is not None:
        return found
    try:
        with transaction.atomic():
            return Cause.objects.create(component=component, mode=mode_text)
    except IntegrityError:
        made_meanwhile = _existing(component, mode_text)
        if made_meanwhile is None:
            raise
        return made_meanwhile


def _existing(component: System, mode: str) -> Cause | None:
    """Compared in Python: SQLite's lower() leaves letters beyond ASCII alone, :attr:`Cause.identity` does not."""
    cause: Cause
    for cause in component.causes.select_related("component"):
        if cause.mode.strip().lower() == mode.lower():
            return cause
    return None
