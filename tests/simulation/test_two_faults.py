"""Short form of :mod:`tests.simulation.two_faults`."""

from __future__ import annotations

import pytest

from tests.simulation.two_faults import as_one_fault, learned, shop


@pytest.mark.parametrize("seed", [1, 2])
def test_second_faults_do_not_bend_the_rates(seed: int) -> None:
    """With a leak beside four of ten silent fans, what is learned of the fan is what it is without them; told as one
    fault, the same jobs bend its share and its branch's success by more than 0.1."""
    alone, cases = learned(shop(seed, second=0.0)), shop(seed, second=0.4)
    kept, bent = learned(cases), learned([as_one_fault(case) for case in cases])
    for name, within in (("motor", 0.04), ("falls", 0.03), ("success", 0.02), ("posterior", 0.04)):
        true, told = getattr(alone, name), getattr(kept, name)
        assert abs(told - true) <= within, (name, true, told)
    assert abs(bent.motor - alone.motor) > 0.1
    assert abs(bent.success - alone.success) > 0.1
