"""shopkb: a workshop's knowledge base of branching test procedures."""

__version__ = "0.2.0"
"""Raised with every release; what changed stands in ``CHANGES.md`` under the same number."""
