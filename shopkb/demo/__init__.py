"""The invented world of Saltmarsh Community Buses: its data, and the simulator that closes its jobs."""
