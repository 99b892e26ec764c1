"""From closed jobs to tallies, and from tallies to the counts of one flow."""
