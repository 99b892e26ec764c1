"""Short form of :mod:`tests.simulation.coverage`."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulation.coverage import GROUPS, TRUTHS, covering


@pytest.mark.parametrize("kappas", TRUTHS)
def test_pooled_intervals_cover_about_as_often_as_they_say(kappas: tuple[float, ...]) -> None:
    """One shop of 60 branches: platforms with 1 to 3 own jobs and with about 30, and within a point of chance of 92 to
    98 %; on less width than each platform alone, with about its error at most."""
    _, found = covering(np.random.default_rng(1), kappas, branches=60, groups=GROUPS, well_known=0.15)
    for group in (found[1], found[3]):
        assert group.platforms > 200
        assert 0.91 < group.covered < 0.99
        assert group.error < 1.03 * group.alone_error
        assert group.width < group.alone_width


def test_intervals_shown_on_screen_cover_too() -> None:
    """Those of 80 % are a little too wide where platforms differ wildly or not at all, never too narrow."""
    for kappas in ((12, 20, 30), (2, 3, 4)):
        _, found = covering(np.random.default_rng(1), kappas, branches=60, level=0.8)
        assert 0.77 < found[1].covered < 0.93
