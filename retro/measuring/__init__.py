"""What a take says: lateness, drift, and the decay of its room."""
