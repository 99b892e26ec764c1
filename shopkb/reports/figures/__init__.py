"""What the figures of the shop are worked out by: functions of jobs and tallies as plain values, without a database."""
