"""The doors of jobs: each change to a job is written by one function here."""
