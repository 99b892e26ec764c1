"""Forms of jobs: they hand back values of the domain."""
