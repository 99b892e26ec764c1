"""The event log: append-only rows, sealed by a hash chain."""
