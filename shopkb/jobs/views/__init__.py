"""Pages of jobs."""
