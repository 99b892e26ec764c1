"""What the figures are worked out from, read from the database: the period, the tallies, the jobs."""
