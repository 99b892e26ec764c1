"""What closed jobs say, as counts. Stands below procedures and jobs, so both may show it."""
