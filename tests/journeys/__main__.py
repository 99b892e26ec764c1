"""Measure every target and every contrast on every page at three sizes and print the worst of each."""

from __future__ import annotations

import os
import sys

import pytest

if __name__ == "__main__":
    os.environ["SHOPKB_EVERY_SIZE"] = "yes"
    page = "tests/journeys/test_every_page.py::test_every_page_obeys_the_rules"
    sys.exit(pytest.main(["-q", "-s", "-p", "no:xdist", page, *sys.argv[1:]]))
