"""What the circuit of a procedure says of its steps: readings of sound parts and of each cause, how likely they are.

Nothing here knows of jobs; a procedure without a circuit has none of it.
"""
