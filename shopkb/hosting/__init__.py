"""A real shop on a computer: made by one command, opened in the browser, served, brought to a newer version."""
