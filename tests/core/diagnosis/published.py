"""The published and constructed worked examples, by id. Sources and tolerances stand in the file itself."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

_FILE = Path(__file__).parents[2] / "data" / "published" / "worked-examples.json"
_EXAMPLES: dict[str, Any] = {
    example["id"]: example for example in json.loads(_FILE.read_text(encoding="utf-8"))["examples"]
}


def example(key: str) -> Any:
    return _EXAMPLES[key]
