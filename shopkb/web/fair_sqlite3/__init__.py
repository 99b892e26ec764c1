"""Django's backend for SQLite, whose write transactions of one process begin in the order they were asked for."""
