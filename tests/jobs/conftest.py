from __future__ import annotations

import pytest

from shopkb.accounts.models import User
from shopkb.jobs.models import Job, Run
from shopkb.procedures.models import Procedure
from tests import builders
from tests.builders import horn, yard

__all__ = ["horn", "yard"]


@pytest.fixture
def job(horn: Procedure, junior: User) -> Job:
    """A job on which nothing has been done yet."""
    return builders.take_in(junior)


@pytest.fixture
def run(job: Job, horn: Procedure, junior: User) -> Run:
    """A run of the horn procedure at its first step, battery voltage given."""
    return builders.start(job, horn, junior)
