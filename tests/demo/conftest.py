from tests.builders import horn, yard

__all__ = ["horn", "yard"]
