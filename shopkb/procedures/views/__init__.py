"""Pages of procedures."""
