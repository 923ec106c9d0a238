"""Where the flipped clip goes, and how sure that is."""
