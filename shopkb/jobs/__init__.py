"""Jobs: taking in a vehicle, following procedures on it, repairing, verifying, closing, writing up."""
