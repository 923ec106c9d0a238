"""Whether the insert can be played, and what the flipped sound brings along."""
