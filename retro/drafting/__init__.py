"""A first target: chords that swell into a beat."""
