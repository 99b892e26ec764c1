from tests.builders import horn, yard
from tests.evidence.conftest import committing

__all__ = ["committing", "horn", "yard"]
