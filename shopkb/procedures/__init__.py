"""Procedures and their revisions: rows, rights, publishing, pages. A revision as a value is `core/flow`."""
