"""Keys, paths and causes in words."""

from __future__ import annotations


def words_of_key(key: str) -> str:
    """``bumper-off`` as ``bumper off``."""
    return key.replace("-", " ")


def last_part(path: str) -> str:
    """The last part of a path as words: ``cooling/fan/fan-resistor`` as ``fan resistor``."""
    return words_of_key(path.rpartition("/")[2])


def cause_name(component: str, mode: str) -> str:
    """``fan resistor: open circuit``, from the path of the component and how it fails."""
    return f"{last_part(component)}: {mode}"


def cause_words(identity: str) -> str:
    """A cause's identity in words: ``cooling/fan/fan-resistor#open circuit`` as ``fan resistor: open circuit``."""
    component, _hash, mode = identity.partition("#")
    return cause_name(component, mode)
