"""Who may do what: people, roles, signing in, the home page of each role."""
