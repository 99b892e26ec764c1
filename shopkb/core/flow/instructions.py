"""The two parts of an instruction, with a Markdown rule between: what is to be done, and what a reading means."""

from __future__ import annotations

import re
from typing import Final

_RULE: Final = re.compile(r"^[ ]{0,3}-{3,}[ \t]*$", re.MULTILINE)


def work(instruction: str) -> str:
    """What has to be known before the step is done: all that stands over the first line of dashes."""
    return _parts(instruction)[0]


def meaning(instruction: str) -> str:
    """Why, and what a reading means: what stands under that line. It may be read after the answers."""
    return _parts(instruction)[1]


def with_more_work(instruction: str, more: str) -> str:
    """The instruction with a paragraph at the end of what is to be done."""
    to_do, means = _parts(instruction)
    longer = f"{to_do}\n\n{more}".strip()
    return f"{longer}\n\n---\n\n{means}" if means else longer


def _parts(instruction: str) -> tuple[str, str]:
    to_do, *rest = _RULE.split(instruction, maxsplit=1)
    return to_do.strip(), "".join(rest).strip()
