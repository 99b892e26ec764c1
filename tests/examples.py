"""How many examples a property test tries, and which: a profile for every change, another for long runs.

With every change half of the number that a test names is tried, so that all tests together take less than twenty
minutes on two cores, and they are the same each time: a change is judged by what it changed, never by the luck of the
draw. New examples are looked for by ``python -m pytest --hypothesis-profile=long tests/core``, which draws twenty times
the number at random; what it finds is kept as an example of its own. No example is timed: tests run beside one another
on few cores, and timings are benchmarks.
"""

from __future__ import annotations

import os
import sys

from hypothesis import HealthCheck, settings

CHANGE, LONG = "change", "long"
FACTOR = {CHANGE: 0.5, LONG: 20}

for _name, _factor in FACTOR.items():
    settings.register_profile(
        _name,
        deadline=None,
        derandomize=_name == CHANGE,
        max_examples=round(100 * _factor),
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
    """Half of ``count`` examples with every change, twenty times ``count`` in a long run."""
    return max(1, round(count * FACTOR.get(_chosen(), 1)))
