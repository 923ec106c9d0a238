"""Files in: MIDI, settings and plans become the model. Validation stands at this edge."""
