"""The invented world of Withy Saltings Community Buses: its data, and the simulator that closes its jobs."""
