"""What to do next in an open job: which test, which repair, and how far to look ahead for it."""
