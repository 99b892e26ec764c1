"""How many examples a property test tries: a profile for every change, another for long runs.

``python -m pytest --hypothesis-profile=long tests/core`` tries twenty times as many. No example is timed: tests run
beside one another on few cores, and timings are benchmarks.
"""

from __future__ import annotations

import os
import sys

from hypothesis import HealthCheck, settings

CHANGE, LONG = "change", "long"
FACTOR = {CHANGE: 1, LONG: 20}

for _name, _factor in FACTOR.items():
    settings.register_profile(
        _name,
        deadline=None,
        max_examples=100 * _factor,
        print_blob=True,
        suppress_health_check=[HealthCheck.too_slow],
    )


def _chosen() -> str:
    """The profile asked for on the command line; decorators read the number of examples before pytest loads it.

    Worker processes have no command line of their own, hence the environment.
    """
    for word in sys.argv:
        if word.startswith("--hypothesis-profile="):
            os.environ["SHOPKB_TEST_EXAMPLES"] = word.partition("=")[2]
    return os.environ.get("SHOPKB_TEST_EXAMPLES", CHANGE)


settings.load_profile(_chosen())


def examples(count: int) -> int:
    """``count`` examples with every change, twenty times as many in a long run."""
    return count * FACTOR.get(_chosen(), 1)
