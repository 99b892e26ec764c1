"""The two parts of an instruction, with a Markdown rule between: what is to be done, and what a reading means."""

from __future__ import annotations

import re
from typing import Final

_RULE: Final = re.compile(r"(?:\A|\n[ \t]*\n)[ ]{0,3}-{3,}[ \t]*(?=\n[ \t]*\n)")
"""Dashes with a blank line on both sides: right below a text they would make it a heading."""
_LIST_OR_CODE: Final = re.compile(r"^[ ]{0,3}(?:(?:\d{1,9}[.)]|[-*+])(?:\s|$)|```|~~~)", re.MULTILINE)


def work(instruction: str) -> str:
    """What has to be known before the step is done: all that stands over the last line of dashes."""
    return _parts(instruction)[0]


def meaning(instruction: str) -> str:
    """Why, and what a reading means: what stands under that line. It may be read after the answers.

    Where a list stands under the line, something is still to be done, and the whole instruction is work.
    """
    return _parts(instruction)[1]


def with_more_work(instruction: str, more: str) -> str:
    """The instruction with a paragraph at the end of what is to be done."""
    to_do, means = _parts(instruction)
    longer = f"{to_do}\n\n{more}".strip()
    return f"{longer}\n\n---\n\n{means}" if means else longer


def _parts(instruction: str) -> tuple[str, str]:
    text = instruction.strip()
    rules = list(_RULE.finditer(text))
    if not rules:
        return text, ""
    to_do, means = text[: rules[-1].start()].strip(), text[rules[-1].end() :].strip()
    return (text, "") if _LIST_OR_CODE.search(means) else (to_do, means)
