"""Settings that hang on the database."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ASKED = "from shopkb import settings; print(settings.DATABASES['default']['OPTIONS']['options'])"


def test_postgresql_translates_no_query_into_machine_code(tmp_path: Path) -> None:
    """For a query that nests many questions that takes seconds. What the address asks for is kept, and comes last, so
    that it wins."""
    address = "postgresql://nobody@127.0.0.1:1/none?options=-c%20work_mem%3D64MB"
    place = {**os.environ, "DATABASE_URL": address, "SHOPKB_DATA_DIR": str(tmp_path)}
    said = subprocess.run([sys.executable, "-c", ASKED], env=place, check=True, capture_output=True, text=True)
    assert said.stdout.strip() == "-c jit=off -c work_mem=64MB"
