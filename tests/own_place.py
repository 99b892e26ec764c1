"""Loaded before the settings: every run of the tests has a data folder of its own, so that two runs never meet."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile

if "SHOPKB_DATA_DIR" not in os.environ:
    os.environ["SHOPKB_DATA_DIR"] = tempfile.mkdtemp(prefix="shopkb-tests-")
    atexit.register(shutil.rmtree, os.environ["SHOPKB_DATA_DIR"], ignore_errors=True)

os.environ.setdefault("SHOPKB_CHANCE_PERCENT", "0")  # pages say the same every time; tests of chance turn it on
os.environ.setdefault("SHOPKB_ADMIN", "yes")  # its pages are tested too; a shop has them only when it asks

# Matrices of a few rows gain nothing from a second thread, and three worker processes share two cores.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
