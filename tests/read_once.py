"""The repository's own procedure files are taken apart once in a run, by the product's reader, for all its processes.

A process of the tests meets the 21 of them up to five times, which took 2 s each time. Every other text is read anew,
and so are these where the reader itself is changed on purpose: each run begins with nothing kept.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import pickle
from functools import cache
from pathlib import Path

from shopkb.core.flow.file import reader
from shopkb.core.flow.file.yaml_tree import Composed, compose

ROOT = Path(__file__).resolve().parent.parent
PLACE = Path(os.environ["SHOPKB_DATA_DIR"])
RUN = os.environ.get("PYTEST_XDIST_TESTRUNUID", str(os.getpid()))


def _digest(data: bytes | str) -> str:
    return hashlib.sha256(data if isinstance(data, bytes) else data.encode("utf-8", "surrogatepass")).hexdigest()


@cache
def _ours() -> frozenset[str]:
    files = [*(ROOT / "flows").glob("*.yaml"), *(ROOT / "fixtures" / "demo" / "editions").glob("*.yaml")]
    return frozenset(_digest(file.read_bytes()) for file in files)


_kept: dict[str, bytes] = {}


def _composed(data: bytes | str) -> Composed:
    """What ``compose`` gives, a new value each time."""
    digest = _digest(data)
    if digest not in _ours():
        return compose(data)
    if digest not in _kept:
        kept = PLACE / f"{RUN}-read-{digest}"
        with kept.with_suffix(".lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            file = kept.with_suffix(".pickle")
            if not file.exists():
                file.write_bytes(pickle.dumps(compose(data)))
            _kept[digest] = file.read_bytes()
    return pickle.loads(_kept[digest])


def install() -> None:
    reader.compose = _composed  # type: ignore[assignment]
