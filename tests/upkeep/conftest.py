from tests.builders import horn, quick_passwords, yard

__all__ = ["horn", "quick_passwords", "yard"]
