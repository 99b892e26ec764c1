"""shopkb: a workshop's knowledge base of branching test procedures."""
